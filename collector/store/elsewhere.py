"""A store whose rows are in a database elsewhere: what a question is about is fetched into memory when it is asked.

The tables are those of any store, so every question runs the same road and gives the same numbers. Nothing touches a
disk, nothing can be written. What is asked for has to fit into memory: about a kilobyte a reading.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from collector.store import people
from collector.store.database import Store
from collector.store.instants import to_us
from collector.store.journal import cuffs, stations
from collector.store.merge import people_entries
from collector.store.merge.people_entries import Entry
from collector.store.people.unions import root_of
from collector.store.readings import write
from collector.store.readings.write import Row
from collector.store.schema_steps import in_memory
from collector.store.values import Reading, Selection

_AT_ONCE = 1000

CentralReading = tuple[Reading, str, str | None]
"""A reading, the station that told of it and whose it is, as uids in hex; what the person is called is no matter."""


class Elsewhere(Protocol):
    """The database. Each raises an error of one line."""

    name: str

    def entries(self, person: Sequence[str] | None) -> Iterable[Entry]:
        """What concerns everybody, or what only questions about this person need (uids in hex)."""

    def same_person(self) -> Mapping[str, str]:
        """Who is part of whom, by the word of the database's owner; uids in hex."""

    def readings(self, selection: Selection, person: Sequence[str] | None) -> Iterator[CentralReading]:
        """The chosen ones; of the selection, `cuff` is an address and `person` stands in `person`."""

    def count(self, person: Sequence[str]) -> int:
        """How many readings are theirs."""

    def close(self) -> None: ...


class StoreElsewhere(Store):
    """For reading only; closes the database with itself."""

    def __init__(self, source: Elsewhere) -> None:
        super().__init__(Path(source.name), in_memory(), read_only=True)
        self._source = source
        self._brought: set[Selection] = set()
        self._known: set[int] = set()
        found = list(source.entries(None))
        self._plans = [one for one in found if one.kind == people_entries.PLAN and one.person]
        people_entries.take(self, found)
        people_entries.unite(self, source.same_person())

    def bring_person(self, row: int) -> None:
        if row not in self._known:
            self._known.add(row)
            people_entries.take(self, self._source.entries(self._uids(row)))

    def bring(self, selection: Selection) -> None:
        person = None if selection.person is None else people.need(self, selection.person).row
        asked = replace(selection, cuff=selection.cuff and cuffs.need(self, selection.cuff))
        if asked in self._brought:
            return
        found = self._source.readings(asked, None if person is None else self._uids(person))
        while some := list(islice(found, _AT_ONCE)):
            self._keep(some)
        self._brought.add(asked)

    def readings_of(self, person: int) -> int:
        return self._source.count(self._uids(person))

    def plans(self) -> dict[str, Mapping[str, Any]]:
        """What the stations' configurations say of each person, by what the person is called here."""
        called = {uid: name for name, uid in people_entries.uids_called(self).items()}
        return {called[one.key]: one.said for one in self._plans if one.key in called}

    def close(self) -> None:
        super().close()
        self._source.close()

    def _uids(self, row: int) -> list[str]:
        """The person's, and those of whoever is part of them."""
        own: bytes = self.scalar("SELECT uid FROM person WHERE id = ?", (row,))
        part_of = dict(self.query("SELECT uid, part_of FROM person WHERE part_of IS NOT NULL").fetchall())
        return [uid.hex() for uid in (own, *(uid for uid in part_of if root_of(part_of, uid) == own))]

    def _keep(self, found: Sequence[CentralReading]) -> None:
        part_of = dict(self.query("SELECT uid, part_of FROM person WHERE part_of IS NOT NULL").fetchall())
        rows = {uid: row for row, uid in self.query("SELECT id, uid FROM person")}
        whose = {uid.hex(): rows.get(root_of(part_of, uid)) for uid in rows}
        with self.transaction():
            marks = ", ".join("?" * len(found))
            query = f"SELECT reading_id, person_id FROM reading WHERE reading_id IN ({marks})"
            owners = dict(self.query(query, [reading.reading_id for reading, _, _ in found]).fetchall())
            fresh: dict[str, Row] = {}
            number = write.next_row(self)
            for reading, station, uid in found:
                owner = whose.get(uid or "")
                if reading.cuff == cuffs.HAND and owners.get(reading.reading_id, owner) not in (None, owner):
                    # Two people's written line of one minute at two stations: here they need two ids.
                    reading = replace(reading, reading_id=f"{reading.reading_id}{(uid or '')[:8]}")
                if reading.reading_id not in owners:
                    fresh[reading.reading_id] = self._row(reading, station, number + len(fresh), owner)
                    owners[reading.reading_id] = owner
            write.write(self, ({}, fresh), ({}, {}))

    def _row(self, reading: Reading, station: str, number: int, person: int | None) -> Row:
        """With a payload to stand on."""
        zone = reading.taken_at.tzinfo
        assert isinstance(zone, ZoneInfo)
        cuff = cuffs.row_of(self, reading.cuff)
        payload = self.query(
            """INSERT INTO payload (uid, station_id, number, cuff_id, characteristic, value, arrived_at,
                source) VALUES (randomblob(16), ?, 0, ?, 10805, ?, ?, 'elsewhere')""",
            (
                stations.row_of(self, bytes.fromhex(station)),
                cuff,
                bytes.fromhex(reading.payload),
                to_us(reading.received_at),
            ),
        ).lastrowid
        assert payload is not None
        return write.as_row(reading, number=number, cuff_id=cuff, payload_id=payload, person_id=person, zone=zone.key)
