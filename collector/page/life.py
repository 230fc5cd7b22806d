"""How long since anybody was here, and when to end."""

import asyncio
import time
from collections.abc import Iterator
from contextlib import contextmanager


class Life:
    """idle_s: so many seconds without a request, and it is over; 0: never."""

    def __init__(self, idle_s: float = 0.0) -> None:
        self.idle_s = idle_s
        self.open = 0
        self.ending = asyncio.Event()
        """Set once the end has begun: whoever waits for news lets go."""
        self._last = time.monotonic()

    @contextmanager
    def request(self) -> Iterator[None]:
        self.open += 1
        try:
            yield
        finally:
            self.open -= 1
            self._last = time.monotonic()

    def over(self) -> bool:
        return bool(self.idle_s) and not self.open and time.monotonic() - self._last > self.idle_s
