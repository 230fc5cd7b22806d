"""Takes the rows of a hand-written log into a store: each reading once, however often and in whatever form it comes."""

import hashlib
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import datetime

from collector.intake.decode import Content, by_hand
from collector.intake.owner import assign_cuff, assign_reading
from collector.intake.pipeline import derive_cuff, interpret
from collector.intake.sources.hand_log import HAND_CHARACTERISTIC, HandRow
from collector.store import audit, journal, people
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.journal.cuffs import HAND
from collector.store.journal.payloads import ImportedPayload
from collector.store.namesakes import folded
from collector.store.people.former_names import former_names
from collector.store.readings import claims, corrections, hand_written, write
from collector.store.readings.hand_written import Written
from collector.store.values import Progress

ONE_BY_ONE = 40
"""So many new lines are always taken up one after the other."""
SO_MANY_AT_ONCE = 150
"""Readings derived anew for what one line by itself costs: where the new lines are fewer than one in these, each is
taken up by itself; else all that is hand-written is derived anew, at once."""


@dataclass(frozen=True, slots=True)
class TakenLog:
    """new: lines that brought a reading or filled one in, with the readings' ids; there: that brought nothing.
    told_no_more: readings of the time and the person of a new one of which no line tells: as of a line that was put
    right in the log since."""

    new: int
    there: int
    reading_ids: tuple[str, ...]
    told_no_more: tuple[str, ...]


def take_log(store: Store, rows: Sequence[HandRow], at: datetime, progress: Progress | None = None) -> TakenLog:
    """All or nothing. Raises StoreError, before anything is taken, for a person who is not in the store."""
    whose = {name: people.need(store, name).row for name in sorted({row.person for row in rows if row.person})}
    with store.roomy(), store.transaction():
        names = {row: {folded(name), *map(folded, former_names(store, row))} for name, row in whose.items()}
        log = _Log(hand_written.known(store), names)
        for number, row in enumerate(rows, 1):
            log.add(row, whose[row.person] if row.person else None)
            if progress:
                progress(number, len(rows))
        _write(store, log, at)
        if log.new:
            audit.record(store, at, "log imported", {"lines": log.new})
        told_no_more = hand_written.beside(store, log.reading_ids, log.told) if log.new else ()
    return TakenLog(log.new, len(rows) - log.new, tuple(log.reading_ids), tuple(told_no_more))


class _Log:
    """What a log adds to what is known, line by line."""

    def __init__(self, known: dict[str, Written], names: Mapping[int, Set[str]]) -> None:
        self.known = known
        self.names = names  # folded, by the person's row
        self.lines: list[tuple[str, HandRow, Content]] = []  # by the reading's id
        self.claims: list[tuple[str, int]] = []  # (reading's id, person's row)
        self.given: list[str] = []  # readings that were there and got their person
        self.reading_ids: list[str] = []
        self.told: set[str] = set()  # ids of the readings of all lines
        self.new = 0

    def add(self, row: HandRow, person: int | None) -> None:
        reading_id, said = read_line(row)
        # Two people who measured the same in the same minute have two readings.
        while person is not None and (was := self.known.get(reading_id)) and self._of_another(was, person):
            row = row._replace(twin=row.twin + 1)
            reading_id, said = read_line(row)
        self.told.add(reading_id)
        was = self.known.get(reading_id)
        says_more = (
            was is None
            or (said.pulse is not None and was.pulse is None)
            or (said.note is not None and was.note is None)
        )
        owns_more = person is not None and (was is None or (was.person is None and not was.settled))
        if not (says_more or owns_more):
            return
        self.new += 1
        self.reading_ids.append(reading_id)
        if says_more:
            self.lines.append((reading_id, row, said))
        if owns_more and person is not None:
            self.claims.append((reading_id, person))
            if was is not None:
                self.given.append(reading_id)
        known = was or Written(None, None, None, None)
        self.known[reading_id] = known._replace(
            pulse=known.pulse or said.pulse, note=known.note or said.note, person=known.person or person
        )

    def _of_another(self, was: Written, person: int) -> bool:
        """Not where it is another's because somebody took it from this person since, or said whose it is while the log
        did not: that line is this reading."""
        if was.person is None:
            return corrections.corrects(was.note)  # and stays whose it is that it corrects
        return was.person != person and not was.taken_from & {*self.names[person], claims.NOBODYS}


def _write(store: Store, log: _Log, at: datetime) -> None:
    lines = [_line(reading_id, row, at) for reading_id, row, _ in log.lines]
    made = journal.append_all(store, lines)
    first = {reading_id: was.payload for reading_id, was in log.known.items() if was.payload is not None}
    for (reading_id, *_), appended in zip(log.lines, made, strict=True):
        first.setdefault(reading_id, appended.payload)
    claims.claim_payloads(store, [(first[reading_id], person) for reading_id, person in log.claims])
    payloads = [appended.payload for appended in made if appended.new]
    if len(payloads) > max(ONE_BY_ONE, len(log.known) // SO_MANY_AT_ONCE):
        written = zip(made, log.lines, strict=True)
        derive_cuff(store, HAND, {one.payload: (reading_id, said) for one, (reading_id, _, said) in written if one.new})
        return
    for payload in payloads:
        interpret(store, payload)
    if len(log.given) > ONE_BY_ONE:
        assign_cuff(store, cuffs.row_of(store, HAND))
        return
    for reading_id in log.given:
        if (found := write.row_of(store, reading_id)) is not None:
            assign_reading(store, found)


def read_line(row: HandRow) -> tuple[str, Content]:
    """The id of a line's reading, and what the line says."""
    said = by_hand(row)
    reading_id = said.known_as(HAND)
    assert reading_id is not None  # every line has its time
    return reading_id, said


def _line(reading_id: str, row: HandRow, at: datetime) -> ImportedPayload:
    value = row.build()
    return ImportedPayload(
        cuff=HAND,
        characteristic=HAND_CHARACTERISTIC,
        value=value,
        arrived_at=at,
        source="hand",
        mark=f"hand {reading_id} {hashlib.sha256(value).hexdigest()[:16]}",
    )
