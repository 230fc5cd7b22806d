"""Rows say what the store says, whatever is in it: 3,000 readings that differ in everything."""

import csv
import io
import random
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from relaying import START

from collector.share.export import rows
from collector.store import people
from collector.store.database import Store
from collector.store.instants import to_us
from collector.store.opening import open_store
from collector.store.readings import select
from collector.store.values import Basis, Selection

ZONES = (
    "Europe/Lisbon",
    "Asia/Kathmandu",
    "America/New_York",
    "Australia/Lord_Howe",
    "Africa/Casablanca",
    "UTC",
    "Asia/Kolkata",
    "America/St_Johns",
    "Africa/Monrovia",
)
NOTES = (
    None,
    None,
    "after tea",
    '=cmd|"x"',
    "a,b\nc\td",
    "é 'quoted'",
    "\x1b[31m red",
    "-",
    "'",
    "\u2028",
    " \r\n",
    "",
)
NUMBERS = (None, "128", "128.0", "1E+2", "-4", "0.00000012", "8E-8", "17.05")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """3,000 readings that differ in everything."""
    chance = random.Random(7)
    with open_store(tmp_path_factory.mktemp("quick") / "q.db") as store:
        for name in ("mira", "+jon, the 2nd", '"bo"', "ada\u202e"[:3]):
            people.add(store, name, START)
        _fill(store, chance)
        yield store  # type: ignore[misc]


def _fill(store: Store, chance: random.Random) -> None:
    with store.transaction():
        for number, zone in enumerate(ZONES, 100):
            store.query("INSERT INTO zone VALUES (?, ?)", (number, zone))
        store.query("INSERT INTO cuff (id, address) VALUES (1, 'C0:FF:EE:00:00:01'), (2, 'hand')")
        changes = [
            to_us(datetime(year, month, day, hour, tzinfo=UTC))
            for year in (1935, 1972, 2029, 2031)
            for month, day in ((3, 9), (3, 30), (4, 6), (10, 5), (10, 26), (11, 2))
            for hour in (1, 6, 7, 15)
        ]
        for n in range(1, 3001):
            near = chance.choice(changes) + chance.randrange(-90_000_000_000, 90_000_000_000)
            at = chance.choice((near, near, chance.randrange(-3_000_000_000_000_000, 7_000_000_000_000_000)))
            store.query(
                "INSERT INTO payload (id, uid, station_id, number, cuff_id, characteristic, value, arrived_at, source) "
                "VALUES (?, ?, 1, ?, 1, 0, ?, 0, 'test')",
                (n, n.to_bytes(16, "big"), n, chance.randbytes(n % 20)),
            )
            store.query(
                "INSERT INTO reading (reading_id, cuff_id, slot, person_id, systolic, diastolic, mean, unit, pulse, "
                "taken_at, basis, uncertainty_s, zone_id, received_at, status, status_raw, assessed, stamp, content, "
                "content_marks, time_marks, owner_mark, sightings, payload_id, note) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, '', ?, ?, ?, ?, ?, ?)",
                (
                    f"{n:016x}",
                    chance.choice((1, 2)),
                    chance.choice((None, 0, 255)),
                    chance.choice((None, 1, 2, 3, 4)),
                    *chance.choices(NUMBERS, k=3),
                    chance.choice(("mmHg", "kPa")),
                    chance.choice(NUMBERS),
                    at,
                    chance.choice(list(Basis)).value,
                    chance.choice((None, 1.0, 0.25, 3e9)),
                    chance.randrange(100, 109),
                    at + chance.randrange(10**9),
                    chance.choice(("", "irregular pulse", "body movement;irregular pulse")),
                    4,
                    chance.choice((None, "", "body movement;irregular pulse")),
                    chance.choice((None, "2031-03-04T07:11:58", "-----03-04T07:11:58")),
                    chance.choice(("", "same stamp, other values", "failed;implausible")),
                    chance.choice(("", "autumn hour")),
                    chance.choice((None, "owner unsure")),
                    chance.randrange(1, 9),
                    n,
                    chance.choice(NOTES),
                ),
            )


def test_what_is_written_reads_back_as_what_the_store_says(store: Store) -> None:
    file = io.StringIO(newline="")
    assert rows.write_ndjson(select(store), file) == 3000
    for back, said in zip(rows.parse_ndjson(file.getvalue().splitlines()), select(store), strict=True):
        assert replace(back, taken_at=said.taken_at) == said
        assert back.taken_at.isoformat() == said.taken_at.isoformat(), "in the zone of the place"


def test_a_spreadsheet_row_says_the_same(store: Store) -> None:
    file = io.StringIO(newline="")
    assert rows.write_csv(select(store), file) == 3000
    for cells, said in zip(csv.DictReader(io.StringIO(file.getvalue())), select(store), strict=True):
        assert cells["reading_id"] == said.reading_id
        assert [cells[name] or None for name in ("systolic", "diastolic", "mean", "pulse")] == [
            None if value is None else format(value, "f")
            for value in (said.systolic, said.diastolic, said.mean, said.pulse)
        ]
        assert cells["taken_at"] == said.taken_at.isoformat(timespec="seconds")
        assert cells["taken_local"] == cells["taken_at"][:19].replace("T", " ")
        assert cells["marks"] == "; ".join(said.marks)
        assert cells["payload"] == said.payload


def test_the_newest_are_the_end_of_all(store: Store) -> None:
    assert list(select(store, Selection(last=7))) == list(select(store))[-7:]


def test_nothing_is_a_heading(tmp_path: Path) -> None:
    with open_store(tmp_path / "q.db") as store:
        file = io.StringIO()
        assert rows.write_csv(select(store), file) == 0
        assert file.getvalue() == ",".join(rows.CSV_FIELDS) + "\n"
