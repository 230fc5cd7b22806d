"""Time that passes while an event loop has nothing to do is left out: it goes on to the next timer at once.

For tests whose cuffs, radio and air are in one loop. There what is waited for lies in the loop's own timers, so that
nothing is missed; and that a busy machine takes long lets no patience run out, since computing hardly counts.
"""

import selectors
import time
from collections.abc import Iterator
from contextlib import contextmanager
from unittest.mock import patch

WORK = 0.05
"""How much of the time that passes in earnest counts."""

_monotonic = time.monotonic


class _Clock:
    def __init__(self) -> None:
        self._began, self._left_out = _monotonic(), 0.0

    def monotonic(self) -> float:
        return self._began + (_monotonic() - self._began) * WORK + self._left_out

    def leave_out(self, seconds: float) -> None:
        self._left_out += seconds


class _Selector(selectors.DefaultSelector):
    def __init__(self, clock: _Clock) -> None:
        super().__init__()
        self._clock = clock

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(timeout if timeout is None else 0)
        if not ready and timeout is not None and timeout > 0:
            self._clock.leave_out(timeout)
        return ready


@contextmanager
def idle_time_left_out() -> Iterator[None]:
    """For every event loop that begins within, and `time.monotonic`."""
    clock = _Clock()
    with patch("time.monotonic", clock.monotonic), patch("selectors.DefaultSelector", lambda: _Selector(clock)):
        yield
