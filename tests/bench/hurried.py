"""Runs `quietcuff-listen` so that idle time passes at once: `python tests/bench/hurried.py GATE [its arguments]`.

Whenever the event loop has nothing to do until its next timer, the clocks (monotonic and wall, as Python shows them)
jump there. GATE is a file of three float64 shared with whoever plays the world: the clock may jump up to the first; the
second is how far it is; the third, how many asyncio tasks there are. At the gate time passes as it does for everybody.
"""

import datetime
import mmap
import selectors
import struct
import sys
import time

GRACE_S = 0.003  # for an answer that is on its way
REAL_MONOTONIC, REAL_TIME, REAL_DATETIME = time.monotonic, time.time, datetime.datetime


class Clock:
    """Real time and how far we are ahead of it."""

    def __init__(self, gate: str) -> None:
        with open(gate, "r+b") as file:
            self.shared = mmap.mmap(file.fileno(), 24)
        self.ahead = 0.0
        self.began = REAL_MONOTONIC()

    def elapsed(self) -> float:
        return REAL_MONOTONIC() - self.began + self.ahead

    def room(self) -> float:
        """Seconds to the gate; tells how far we are."""
        (gate,) = struct.unpack_from("<d", self.shared)
        now = self.elapsed()
        struct.pack_into("<d", self.shared, 8, now)
        return float(gate - now)


def hurry(clock: Clock) -> None:
    """From now on `time` and `datetime.datetime.now` show the clock's time. Before anything else imports them."""

    class Datetime(datetime.datetime):
        @classmethod
        def now(cls, tz: datetime.tzinfo | None = None) -> "Datetime":
            return cls.fromtimestamp(REAL_TIME() + clock.ahead, tz)

    time.monotonic = lambda: REAL_MONOTONIC() + clock.ahead
    time.time = lambda: REAL_TIME() + clock.ahead
    datetime.datetime = Datetime  # type: ignore[misc]


def loops(clock: Clock) -> None:
    """asyncio's loops jump where they would sleep, unless a thread works for them."""
    import asyncio

    class Selector(selectors.EpollSelector):
        loop: "Loop"

        def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
            room = clock.room()
            if room > 0 and (timeout is None or timeout > GRACE_S):
                if events := super().select(GRACE_S):
                    return events
                if not self.loop.working:
                    clock.ahead += min(room, room if timeout is None else timeout - GRACE_S)
                    return []
                timeout = 0.05
            elif room <= 0:
                struct.pack_into("<d", clock.shared, 16, len(asyncio.all_tasks(self.loop)))
                timeout = 0.005 if timeout is None else min(timeout, 0.005)  # the gate may open
            return super().select(timeout)

    class Loop(asyncio.SelectorEventLoop):
        def __init__(self) -> None:
            self.working = 0
            selector = Selector()
            selector.loop = self
            super().__init__(selector)

        def run_in_executor(self, executor, func, *args):  # type: ignore[no-untyped-def]
            self.working += 1
            future = super().run_in_executor(executor, func, *args)
            future.add_done_callback(self._worked)
            return future

        def _worked(self, _: object) -> None:
            self.working -= 1

    class Policy(asyncio.DefaultEventLoopPolicy):
        def new_event_loop(self) -> Loop:
            return Loop()

    asyncio.set_event_loop_policy(Policy())


if __name__ == "__main__":
    clock = Clock(sys.argv.pop(1))
    hurry(clock)
    loops(clock)
    from collector.service.listen.main import run

    run()
