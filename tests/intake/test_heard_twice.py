"""One reading that two stations heard: what people said of it at either, whichever of the two payloads they met."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from collector import intake
from collector.intake.correction import Correction, correct_reading, take_back_correction
from collector.intake.pipeline import derive_cuff
from collector.intake.sources.hand_log import HandRow
from collector.intake.take_back import bring_back
from collector.intake.take_log import take_log
from collector.store import Store, journal, open_store, people, readings, retention
from collector.store.journal import stations
from collector.store.readings import claims, strikes
from parsers.measurement import build_measurement, measurement

NOW = datetime(2031, 3, 4, 12, tzinfo=UTC)
AHEAD, LATER = NOW + timedelta(days=3650), NOW + timedelta(minutes=5)
CUFF = "F0:00:00:00:00:01"

Say = Callable[[Store, str, datetime], object]


def claim(store: Store, reading: str, at: datetime) -> None:
    claims.claim(store, reading, "mira", at)


def marks(store: Store) -> Any:
    return next(readings.select(store)).marks


def owner(store: Store) -> Any:
    intake.reassign(store)
    return next(readings.select(store)).person


SAID: dict[str, tuple[Say, Say, Callable[[Store], Any], Any, Any]] = {
    "struck out": (strikes.strike, strikes.undo, marks, ("struck out",), ()),
    "claimed": (claim, claims.release, owner, "mira", None),
    "claimed, and left to its slot": (claim, claims.withdraw, owner, "mira", None),
}


@pytest.fixture(params=SAID)
def said(request: pytest.FixtureRequest) -> tuple[Say, Say, Callable[[Store], Any], Any, Any]:
    return SAID[request.param]


@pytest.fixture
def two(tmp_path: Path) -> Iterator[tuple[Store, Store]]:
    """Each heard it by itself, the first before the second, and both know mira."""
    with open_store(tmp_path / "first.db") as first, open_store(tmp_path / "second.db") as second:
        people.add(first, "mira", NOW)
        intake.merge(second, first.path)
        for after, store in enumerate((first, second)):
            stations.set_zone(store, "Europe/Lisbon", datetime(1970, 1, 1, tzinfo=UTC))
            value = build_measurement(measurement(128, 81, stamp=NOW.replace(tzinfo=None)))
            added = journal.append(store, cuff=CUFF, characteristic=0x2A35, value=value, source="virtual",
                                   arrived_at=NOW + timedelta(seconds=30 + after))  # fmt: skip
            intake.interpret(store, added.payload)
        yield first, second


def the_one(store: Store) -> str:
    (reading,) = readings.select(store)
    return reading.reading_id


@pytest.mark.parametrize("when", [NOW, AHEAD])
@pytest.mark.parametrize("there", [0, 1])
def test_the_later_word_holds_whatever_comes_after(
    two: tuple[Store, Store], there: int, when: datetime, said: tuple[Say, Say, Callable[[Store], Any], Any, Any]
) -> None:
    say, take_back, look, so, not_so = said
    store, other = two[1 - there], two[there]
    say(other, the_one(other), when)
    intake.merge(store, other.path)
    assert look(store) == so
    take_back(store, the_one(store), LATER)
    for _ in range(2):
        assert look(store) == not_so
        strikes.mark_struck(store)
    intake.rebuild(store)
    assert look(store) == not_so
    for _ in range(2):
        intake.merge(other, store.path)
        intake.merge(store, other.path)
        assert (look(store), look(other)) == (not_so, not_so)


@pytest.mark.parametrize("there", [0, 1])
def test_of_two_that_know_nothing_of_each_other_the_later_word_holds(
    two: tuple[Store, Store], there: int, said: tuple[Say, Say, Callable[[Store], Any], Any, Any]
) -> None:
    say, take_back, look, _, not_so = said
    store, other = two[1 - there], two[there]
    say(other, the_one(other), NOW)
    say(store, the_one(store), NOW)
    take_back(store, the_one(store), LATER)
    intake.merge(store, other.path)
    intake.rebuild(store)
    assert look(store) == not_so


def test_it_outlives_the_payload_that_no_reading_rests_on(
    two: tuple[Store, Store], said: tuple[Say, Say, Callable[[Store], Any], Any, Any]
) -> None:
    say, _, look, so, _ = said
    first, second = two
    say(second, the_one(second), NOW)
    intake.merge(first, second.path)
    with first.transaction():
        retention.take_away(first, AHEAD)
    intake.rebuild(first)
    assert look(first) == so


def test_of_two_corrections_the_later_holds_whatever_the_clock_showed(two: tuple[Store, Store]) -> None:
    store, other = (one.path for one in two)
    two[0].close()
    two[1].close()
    with open_store(store) as opened:
        correct_reading(opened, the_one(opened), Correction(systolic=Decimal(111)), AHEAD)
    for at, systolic in ((NOW, 112), (LATER, 113)):
        with open_store(other) as opened:
            intake.merge(opened, store)
        with open_store(other) as opened:
            sent = next(reading.reading_id for reading in readings.select(opened) if reading.cuff == CUFF)
            take_back_correction(opened, sent, at)
            correct_reading(opened, sent, Correction(systolic=Decimal(systolic)), at)
        with open_store(store) as opened:
            intake.merge(opened, other)
            assert [reading.systolic for reading in readings.select(opened) if not reading.marks] == [systolic]


@pytest.mark.parametrize("export", [False, True])
def test_of_two_corrections_of_the_pulse_alone_the_later_holds(two: tuple[Store, Store], export: bool) -> None:
    """Seen: the pulse that was said first stayed, as two lines of one instant and the same pressures are one."""
    for store, pulse, at in zip(two, (64, 66), (NOW, LATER), strict=True):
        correct_reading(store, the_one(store), Correction(pulse=Decimal(pulse)), at)
    for store, other in (two, two[::-1]):
        intake.merge(store, other.path)
        intake.rebuild(store)
    if export:
        with open_store(two[0].path.with_name("third.db")) as third:
            for cuff in bring_back(third, list(readings.select(two[0])), LATER).cuffs:
                derive_cuff(third, cuff)
            intake.merge(two[0], third.path)
            intake.merge(third, two[1].path)
            assert [one.pulse for one in readings.select(third) if not one.marks] == [66]
    for store in two:
        assert [one.pulse for one in readings.select(store) if not one.marks] == [66]
        assert len(list(readings.select(store))) == 3


def test_a_line_that_says_what_a_correction_says_is_a_reading_of_its_own(two: tuple[Store, Store]) -> None:
    """Seen: nobody's reading was put right in its pulse at one station, and at the other somebody's log said the same:
    after a merge that line was the correction, and nobody's."""
    first, second = two
    correct_reading(first, the_one(first), Correction(pulse=Decimal(64)), NOW)
    take_log(second, [HandRow(NOW, Decimal(128), Decimal(81), Decimal(70), person="mira")], NOW)
    for store, other in (two, two[::-1], two):
        intake.merge(store, other.path)
        assert [one.pulse for one in readings.select(store) if one.person == "mira"] == [70]
        assert {one.pulse for one in readings.select(store) if one.person is None} == {None, 64}
