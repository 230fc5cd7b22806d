"""How much a receiver takes at once and how long it is given, learned by trying and kept; and one sender at a time."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from collector.share.relay.receiver import Receiver
from collector.store import receivers
from collector.store.database import Store
from collector.store.writers import open_own

LONGEST_S = 600.0
_MORE_AFTER = 20
"""Full batches that have to go well before more is tried. A choice of this project, no source."""


@dataclass(slots=True)
class Pace:
    """batch: readings at once. most: what it may grow to. timeout_s: for a whole exchange."""

    batch: int
    most: int
    timeout_s: float
    well: int = 0

    @classmethod
    def of(cls, store: Store, row: int, receiver: Receiver) -> Self:
        """As learned before, within what the configuration says."""
        batch, timeout_s = receivers.pace(store, row)
        return cls(min(batch or receiver.most, receiver.most), receiver.most, max(timeout_s or 0.0, receiver.timeout_s))

    def was_too_slow(self) -> None:
        """Half as much and twice the time, from the next try on."""
        self.batch = max(1, self.batch // 2)
        self.timeout_s = min(LONGEST_S, self.timeout_s * 2)

    def was_too_much(self, fits: int) -> None:
        self.batch, self.well = max(1, min(self.batch, fits)), 0

    def went_well(self, count: int) -> None:
        self.well += count >= self.batch
        if self.well >= _MORE_AFTER:
            self.batch, self.well = min(self.most, self.batch * 2), 0

    def remember(self, store: Store, row: int) -> None:
        receivers.keep_pace(store, row, self.batch, self.timeout_s)


@contextmanager
def only_sender(store: Path, row: int) -> Iterator[bool]:
    """Whether this process may send to the receiver: one at a time. The kernel takes it from whoever dies, and from
    nobody else, however long a machine sleeps or a batch takes."""
    path = store.with_name(f"{store.name}.relay-{row}.lock")
    descriptor = open_own(path, os.O_RDONLY, store)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
        else:
            yield True
    finally:
        os.close(descriptor)
