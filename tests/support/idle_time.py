"""Time that passes while an event loop has nothing to do is left out: it goes on to the next timer at once.

For tests whose cuffs, radio and air are in one loop. There what is waited for lies in the loop's own timers, so that
nothing is missed; and that a busy machine takes long lets no patience run out, since computing hardly counts.
"""

import selectors
import time

import pytest

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


def leave_idle_time_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """For every event loop that begins from now on, and `time.monotonic`.

    By the test's own monkeypatch: what a test sets of the same is undone before this is, and not after.
    """
    clock = _Clock()
    monkeypatch.setattr("time.monotonic", clock.monotonic)
    monkeypatch.setattr("selectors.DefaultSelector", lambda: _Selector(clock))
