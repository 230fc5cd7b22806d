"""What a virtual cuff remembers: records, who confirmed which, what bonded collectors subscribed to."""

from dataclasses import dataclass, field


@dataclass(slots=True)
class StoredRecord:
    """A record in the cuff. sequence: its number for the Record Access Control Point."""

    sequence: int
    payload: bytes
    confirmed_by: set[str] = field(default_factory=set)


class CuffMemory:
    """Records in the order they were measured.

    multiple_bonds: every collector gets each record once; otherwise the first that confirms takes it.
    keeps: nothing is ever forgotten.
    """

    def __init__(self, multiple_bonds: bool = False, keeps: bool = False) -> None:
        self.records: list[StoredRecord] = []
        self.confirmed: list[bytes] = []  # in the order of their confirmations, repeats included
        self.measured: list[bytes] = []
        self.subscriptions: dict[str, dict[int, bytes]] = {}  # collector: characteristic: its configuration
        self._multiple, self._keeps = multiple_bonds, keeps
        self._next = 0

    def store(self, payload: bytes) -> StoredRecord:
        record = StoredRecord(self._next, payload)
        self._next = (self._next + 1) % 0x10000
        self.records.append(record)
        self.measured.append(payload)
        return record

    def pending(self, collector: str) -> list[StoredRecord]:
        """What this collector has not confirmed yet."""
        if self._multiple:
            return [record for record in self.records if collector not in record.confirmed_by]
        return [record for record in self.records if not record.confirmed_by]

    def confirm(self, record: StoredRecord, collector: str) -> None:
        record.confirmed_by.add(collector)
        self.confirmed.append(record.payload)
        if not self._multiple and not self._keeps:
            self.records.remove(record)

    def forget_confirmations(self) -> None:
        for record in self.records:
            record.confirmed_by.clear()
