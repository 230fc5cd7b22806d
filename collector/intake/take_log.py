"""Takes the rows of a hand-written log into a store: each reading once, however often and in whatever form it comes."""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from collector.intake.owner import assign_reading
from collector.intake.pipeline import derive_cuff, interpret
from collector.intake.sources.hand_log import HAND_CHARACTERISTIC, HandRow
from collector.store import audit, journal, people
from collector.store.database import Store
from collector.store.journal.cuffs import HAND
from collector.store.readings import claims, hand_written, write
from collector.store.readings.hand_written import Written

ONE_BY_ONE = 40
"""So many new lines are taken up one after the other; of more, all that is hand-written is derived anew at once."""


@dataclass(frozen=True, slots=True)
class TakenLog:
    """new: lines that brought a reading or filled one in; there: that brought nothing."""

    new: int
    there: int
    reading_ids: tuple[str, ...]


def take_log(
    store: Store, rows: Sequence[HandRow], at: datetime, progress: Callable[[int, int], None] | None = None
) -> TakenLog:
    """All or nothing. Raises StoreError, before anything is taken, for a person who is not in the store."""
    whose = {name: people.need(store, name).row for name in sorted({row.person for row in rows if row.person})}
    with store.transaction():
        log = _Log(store, at)
        for number, row in enumerate(rows, 1):
            log.add(row, whose[row.person] if row.person else None)
            if progress:
                progress(number, len(rows))
        if len(log.payloads) > ONE_BY_ONE:
            derive_cuff(store, HAND)
        else:
            for payload in log.payloads:
                interpret(store, payload)
        for reading_id in log.given:
            if (found := write.row_of(store, reading_id)) is not None:
                assign_reading(store, found)
        if log.new:
            audit.record(store, at, "log imported", {"lines": log.new})
    return TakenLog(log.new, len(rows) - log.new, tuple(log.reading_ids))


class _Log:
    """What a log adds to a store, line by line."""

    def __init__(self, store: Store, at: datetime) -> None:
        self._store, self._at = store, at
        self._known = hand_written.known(store)
        self.payloads: list[int] = []
        self.given: list[str] = []  # readings that were there and got their person
        self.reading_ids: list[str] = []
        self.new = 0

    def add(self, row: HandRow, person: int | None) -> None:
        row = self._told_from_others(row, person)
        was = self._known.get(row.reading_id)
        says_more = was is None or any(
            said is not None and known is None for said, known in ((row.pulse, was.pulse), (row.note, was.note))
        )
        owns_more = person is not None and (was is None or (was.person is None and not was.settled))
        if not (says_more or owns_more):
            return
        self.new += 1
        self.reading_ids.append(row.reading_id)
        payload = self._append(row) if says_more else None
        if owns_more and person is not None:
            if was is None and payload is not None:
                claims.claim_payload(self._store, payload, person, self._at)
            elif was is not None:
                claims.claim_payload(self._store, was.payload, person, self._at)
                self.given.append(row.reading_id)
        known = was or Written(payload or 0, None, None, None)
        self._known[row.reading_id] = Written(
            payload=known.payload,
            pulse=known.pulse or (None if row.pulse is None else str(row.pulse)),
            note=known.note or row.note,
            person=known.person or person,
            settled=known.settled,
        )

    def _append(self, row: HandRow) -> int:
        value = row.build()
        made = journal.append(
            self._store,
            cuff=HAND,
            characteristic=HAND_CHARACTERISTIC,
            value=value,
            arrived_at=self._at,
            source="hand",
            mark=f"hand {row.reading_id} {hashlib.sha256(value).hexdigest()[:16]}",
        )
        if made.new:
            self.payloads.append(made.payload)
        return made.payload

    def _told_from_others(self, row: HandRow, person: int | None) -> HandRow:
        """Two people who measured the same in the same minute have two readings."""
        while True:
            was = self._known.get(row.reading_id)
            if person is None or was is None or was.person in (None, person):
                return row
            row = replace(row, twin=row.twin + 1)
