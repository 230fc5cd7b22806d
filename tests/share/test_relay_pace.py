"""How much a receiver is given at once, how long it may take, and how long it is left alone after a failure."""

from dataclasses import replace
from datetime import timedelta

from relaying import CLINIC, Clock, Noting, run, write_down

from collector.share.export.context import ExportContext
from collector.share.relay.pace import Pace
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import pause_after
from collector.share.relay.target import Batch, RefusedByReceiver, TooSlow, Unreachable
from collector.store import outbox
from collector.store.database import Store


def test_pauses_grow_to_an_hour(store: Store, clinic: Noting, clock: Clock) -> None:
    write_down(store, "mira", 0)
    pauses = []
    for _ in range(14):
        clinic.trouble = [Unreachable("busy")]
        run(store, clinic, clock)
        due = outbox.status(store)[0].next_at
        assert due is not None
        pauses.append((due - clock.now).total_seconds())
        clock.forward(seconds=pauses[-1] - 1)
        assert run(store, clinic, clock).skipped is not None
        clock.forward(seconds=1)
    assert pauses[:4] == [5, 10, 20, 40]
    assert pauses[-1] == 3600
    assert pause_after(10**9) == timedelta(hours=1)


def test_the_receivers_own_wish_for_a_pause_holds(store: Store, clinic: Noting, clock: Clock) -> None:
    write_down(store, "mira", 0)
    clinic.trouble = [Unreachable("busy", timedelta(minutes=10))]
    run(store, clinic, clock)
    assert outbox.status(store)[0].next_at == clock.now + timedelta(minutes=10)


def test_a_slow_receiver_gets_less_and_more_time(store: Store, clinic: Noting, clock: Clock) -> None:
    """A sound one that needs 36 s for so many finishes at the second try, and the pace is kept."""
    given: list[float] = []
    for minute in range(8):
        write_down(store, "mira", minute)

    class Slow(Noting):
        def connect(self, receiver: Receiver, context: ExportContext) -> Noting:
            given.append(receiver.timeout_s)
            return super().connect(receiver, context)

        def deliver(self, batch: Batch) -> None:
            if given[-1] < 36:
                raise TooSlow("did not answer in whole within 30 s")
            super().deliver(batch)

    slow, receiver = Slow(), replace(CLINIC, batch=8)
    assert "within 30 s" in (run(store, slow, clock, receiver).trouble or "")
    assert run(store, slow, clock, receiver, now_please=True).fresh == 8
    assert [len(batch.fresh) for batch in slow.batches] == [4, 4]
    write_down(store, "mira", 9)
    assert run(store, slow, clock, receiver).fresh == 1
    assert given == [30, 60, 60]


def test_a_receiver_that_takes_few_at_once_is_given_few(store: Store, clock: Clock) -> None:
    sent = [write_down(store, "mira", minute) for minute in range(24)]

    class Small(Noting):
        tries = 0

        def deliver(self, batch: Batch) -> None:
            self.tries += 1
            if len(batch.readings) > 3:
                raise RefusedByReceiver("answers 400: too many creates")
            super().deliver(batch)

    small, receiver = Small(), replace(CLINIC, batch=24)
    done = run(store, small, clock, receiver)
    assert (done.fresh, done.refused) == (24, 0)
    assert small.fresh == sent, "in order"
    tries = small.tries
    later = [write_down(store, "mira", 30 + minute) for minute in range(9)]
    assert run(store, small, clock, receiver).fresh == 9
    assert small.fresh == sent + later
    assert small.tries - tries == 3, "remembered: nothing too large was tried again"


def test_a_pace_grows_again_but_not_over_what_is_set() -> None:
    pace = Pace(batch=4, most=10, timeout_s=30)
    for _ in range(60):
        pace.went_well(pace.batch)
    assert pace.batch == 10
    pace.was_too_much(5)
    assert pace.batch == 5
    for _ in range(19):
        pace.went_well(pace.batch)
    assert pace.batch == 5, "what went well before does not count any longer"
    pace.went_well(pace.batch)
    assert pace.batch == 10
    grown = Pace(batch=1, most=8, timeout_s=30)
    for _ in range(20 + 19):
        grown.went_well(grown.batch)
    assert grown.batch == 2, "after each growth it has to go well as often again"
