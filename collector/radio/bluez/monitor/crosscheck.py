"""Counts what D-Bus shows against what the witness saw: whatever bluetoothd tells us, the kernel has shown before."""

import time
from collections import defaultdict, deque

KEPT_S = 120.0  # how long an unmatched payload of the witness is remembered; D-Bus is seldom a second behind

Key = tuple[str, int, bytes]  # cuff, characteristic, payload


class CrossCheck:
    def __init__(self) -> None:
        self._witnessed: defaultdict[Key, deque[float]] = defaultdict(deque)
        self._on_bus: list[Key] = []

    def witnessed(self, cuff: str, characteristic: int, value: bytes) -> None:
        self._witnessed[cuff, characteristic, value].append(time.monotonic())

    def on_bus(self, cuff: str, characteristic: int, value: bytes) -> None:
        self._on_bus.append((cuff, characteristic, value))

    def missed(self) -> list[Key]:
        """Payloads that only D-Bus showed, told once. To be asked when the witness has read all there is."""
        found = []
        for key in self._on_bus:
            if self._witnessed[key]:
                self._witnessed[key].popleft()
            else:
                found.append(key)
        self._on_bus.clear()
        oldest = time.monotonic() - KEPT_S
        for key, times in list(self._witnessed.items()):
            while times and times[0] < oldest:
                times.popleft()
            if not times:
                del self._witnessed[key]
        return found
