"""One cuff whose address passes, met by several stations under different addresses: after merging it is one."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import permutations
from pathlib import Path
from shutil import copyfile

import pytest
from contents import contents

from collector import intake
from collector.intake import giving
from collector.intake.correction import Correction, correct_reading, take_back_correction
from collector.intake.pipeline import derive_cuff
from collector.intake.take_back import bring_back
from collector.store import Store, journal, open_store, people, readings
from collector.store.journal import cuffs, same_cuff, visits
from collector.store.people import slot_spans
from collector.store.values import OVERTAKEN
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime
from parsers.uuids import Uuid

START = datetime(2031, 3, 4, 7, 0, tzinfo=UTC)
ADDRESSES = ("40:00:00:00:00:0C", "40:00:00:00:00:0B", "40:00:00:00:00:0A")


def record(day: int) -> bytes:
    stamp = DateTime(2031, 3, day, 7, 30, 0)
    return build_measurement(measurement(128 + day, 81, 96, pulse=64, stamp=stamp))


def meet(store: Store, number: int, days: tuple[int, ...], serial: bytes = b"A-4711") -> None:
    """A visit under the address of that number, a day later each, in which records of these days come."""
    at = START + timedelta(days=10 + number)
    visit = visits.open_visit(store, ADDRESSES[number], "virtual", at)
    visits.learn_value(store, visit, Uuid.SERIAL_NUMBER, serial, at, 0.1)
    same_cuff.note_passing(store, visit)
    for day in days:
        added = journal.append(
            store,
            cuff=ADDRESSES[number],
            characteristic=Uuid.BLOOD_PRESSURE_MEASUREMENT,
            value=record(day),
            arrived_at=at,
            source="virtual",
            visit=visit,
        )
        intake.interpret(store, added.payload)
    visits.close_visit(store, visit, at + timedelta(seconds=20), "cuff left")
    intake.settle(store, visit)


@pytest.fixture
def stations(tmp_path: Path) -> list[Path]:
    """Three stations that met the same cuff, the first of them under two addresses; some records came to several."""
    paths = [tmp_path / f"{name}.db" for name in ("one", "two", "three")]
    for path, met in zip(paths, ([(0, (1, 2)), (2, (2, 3))], [(1, (2, 3))], [(2, (3, 4))]), strict=True):
        with open_store(path) as store:
            for number, days in met:
                meet(store, number, days)
    return paths


def test_merged_it_is_one_cuff_and_each_reading_there_once(stations: list[Path], tmp_path: Path) -> None:
    with open_store(tmp_path / "all.db") as store:
        for path in stations:
            intake.merge(store, path)
        assert len(cuffs.every(store)) == 1
        assert [reading.systolic for reading in readings.select(store)] == [129, 130, 131, 132]
        assert {reading.cuff for reading in readings.select(store)} == {ADDRESSES[0]}, "the address it was first met by"


def test_what_was_put_right_before_is_put_right_under_the_first_address_too(stations: list[Path]) -> None:
    """Seen: the correction was nobody's, and after it was taken back both counted: what it names had another id."""
    first, second, _ = stations
    with open_store(second) as store:
        people.add(store, "mira", START)
        wrong = next(readings.select(store)).reading_id
        right = correct_reading(store, wrong, Correction(systolic=Decimal(120)), START + timedelta(days=40))
    with open_store(first) as store:
        intake.merge(store, second)
        for one in readings.select(store):
            if one.systolic == 130:
                giving.give(store, one.reading_id, "mira", START + timedelta(days=41))
                assert one.reading_id != wrong
                wrong = one.reading_id
        assert readings.get(store, right).person == "mira"
        assert readings.get(store, right).note == f"corrects {wrong}"
        before = list(readings.select(store))
        intake.rebuild(store)
        assert list(readings.select(store)) == before
        take_back_correction(store, wrong, START + timedelta(days=42))
        assert readings.get(store, right).marks == (OVERTAKEN,)
    with open_store(second) as store:
        intake.merge(store, first)
        assert readings.get(store, right).marks == (OVERTAKEN,)


def test_what_an_export_told_of_it_under_another_address_is_there_once(stations: list[Path]) -> None:
    """Seen: both counted, and were marked as odd."""
    first, second, _ = stations
    with open_store(second) as store:
        exported = list(readings.select(store))
    with open_store(first) as store:
        assert bring_back(store, exported, START + timedelta(days=40)).new == 2
        derive_cuff(store, ADDRESSES[1])
        assert len(list(readings.select(store))) == 5, "that these are one cuff nobody can tell yet"
        for _ in range(2):
            intake.merge(store, second)
            assert [(one.systolic, one.marks) for one in readings.select(store)] == [(129, ()), (130, ()), (131, ())]
            intake.rebuild(store)
        bring_back(store, exported, START + timedelta(days=41))
        assert len(list(readings.select(store))) == 3


def test_an_export_from_before_is_of_the_one_cuff_where_only_the_merged_store_tells(
    stations: list[Path], tmp_path: Path
) -> None:
    """Seen: its readings stayed another cuff's for ever, and counted a second time."""
    first, second, _ = stations
    with open_store(second) as store:
        exported = list(readings.select(store))
        intake.merge(store, first)
        expected = [(one.reading_id, one.cuff, one.marks) for one in readings.select(store)]
    with open_store(tmp_path / "all.db") as store:
        bring_back(store, exported, START + timedelta(days=40))
        derive_cuff(store, ADDRESSES[1])
        for _ in range(2):
            assert intake.merge(store, second).gone == 0
            assert [(one.reading_id, one.cuff, one.marks) for one in readings.select(store)] == expected
            intake.rebuild(store)


def test_a_slot_given_under_another_address_comes_along_as_often_as_it_is_merged(
    stations: list[Path], tmp_path: Path
) -> None:
    """Seen: refused for ever from the second time on, by a NOT NULL constraint."""
    first, second, third = stations
    given = {second: ("mira", ADDRESSES[1]), third: ("ben", ADDRESSES[2])}
    for path, (name, _) in given.items():
        with open_store(path) as store:
            people.add(store, name, START)
    with open_store(tmp_path / "all.db") as store:
        for path in stations:
            intake.merge(store, path)
        for path, (name, address) in given.items():
            with open_store(path) as there:
                slot_spans.add(there, name, address, number := 1 + len(slot_spans.every(store)), START)
            for again in (path, first, path):
                intake.merge(store, again)
            assert (name, ADDRESSES[0], number) in {(one.person, one.cuff, one.slot) for one in slot_spans.every(store)}
        assert len(slot_spans.every(store)) == 2


def test_the_order_of_merging_does_not_matter(stations: list[Path], tmp_path: Path) -> None:
    found = []
    for order in permutations(range(3)):
        path = tmp_path / f"{order}.db"
        copyfile(stations[order[0]], path)
        with open_store(path) as store:
            for number in (*order[1:], *order):
                intake.merge(store, stations[number])
            found.append({kind: rows for kind, rows in contents(store).items() if kind != "audit"})
    for one in found[1:]:
        assert one == found[0]


def test_another_cuff_of_the_make_stays_another(tmp_path: Path) -> None:
    paths = [tmp_path / "one.db", tmp_path / "two.db"]
    for number, (path, serial) in enumerate(zip(paths, (b"A-4711", b"A-4712"), strict=True)):
        with open_store(path) as store:
            meet(store, number, (1, 2), serial)
    with open_store(paths[0]) as store:
        intake.merge(store, paths[1])
        assert len(cuffs.every(store)) == 2
