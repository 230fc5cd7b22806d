"""How long a cuff that came to nothing is left alone."""

import time
from dataclasses import dataclass

NEW_BURST_S = 10.0  # silent for so long and back: somebody measured again
PAUSE_S, LONGEST_PAUSE_S = 2.0, 300.0


@dataclass(slots=True)
class Backoff:
    """Visited less and less often, until it falls silent and comes anew."""

    _seen_at: float = 0.0
    _fruitless: int = 0
    _not_before: float = 0.0

    def seen(self) -> None:
        """It advertises."""
        now = time.monotonic()
        if now - self._seen_at > NEW_BURST_S:
            self._fruitless, self._not_before = 0, 0.0
        self._seen_at = now

    @property
    def is_over(self) -> bool:
        return time.monotonic() >= self._not_before

    def until(self, seconds: float) -> None:
        """From now on."""
        self._not_before = time.monotonic() + seconds

    def came_to_nothing(self) -> None:
        """Another visit without a record."""
        self._fruitless += 1
        self.until(min(PAUSE_S * 2 ** min(self._fruitless - 1, 10), LONGEST_PAUSE_S))
