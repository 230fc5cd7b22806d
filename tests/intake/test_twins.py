"""Two people who measured the same in the same minute have two readings, wherever their logs were taken in."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from collector.intake import giving, merge, reassign, rebuild
from collector.intake.correction import Correction, correct_reading
from collector.intake.pipeline import derive_cuff
from collector.intake.sources.hand_log import HandRow
from collector.intake.take_back import bring_back
from collector.intake.take_log import take_log
from collector.store import people, readings
from collector.store.database import Store
from collector.store.opening import open_store
from collector.store.people import unions
from collector.store.values import VOID_MARKS, Reading

NOW = datetime(2031, 6, 1, tzinfo=UTC)
AT = datetime(2031, 3, 4, 8, 0, tzinfo=UTC)
LINE = HandRow(taken_at=AT, systolic=Decimal(120), diastolic=Decimal(80))
Made = Callable[..., Path]


@pytest.fixture
def store_of(tmp_path: Path) -> Made:
    """A station's store with this line of these people, taken in at a minute of its own."""
    number = iter(range(100))

    def made(*names: str, pulse: int | None = None) -> Path:
        at = NOW + timedelta(minutes=next(number))
        path = tmp_path / f"{at.minute}.db"
        with open_store(path) as store:
            for name in names:
                people.add(store, name, NOW)
            take_log(store, [LINE._replace(person=name) for name in names], at)
            if pulse:  # filled in later, by whom is not said
                take_log(store, [LINE._replace(pulse=Decimal(pulse))], at)
        return path

    return made


def owners(store: Store) -> list[str | None]:
    found = sorted(str(one.person) for one in readings.select(store))
    rebuild(store)
    assert sorted(str(one.person) for one in readings.select(store)) == found
    return found


def bring_in(store: Store, path: Path) -> None:
    with open_store(path) as other:
        for cuff in bring_back(store, list(readings.select(other)), NOW).cuffs:
            derive_cuff(store, cuff)


@pytest.mark.parametrize("way", [merge, bring_in])
@pytest.mark.parametrize("into", [0, 1])
@pytest.mark.parametrize("at_both", [False, True])
@pytest.mark.parametrize("said", [Correction(systolic=Decimal(133)), Correction(pulse=Decimal(77))])
def test_a_line_that_a_station_corrected_stays_its_persons(
    store_of: Made, said: Correction, at_both: bool, into: int, way: Callable[[Store, Path], object]
) -> None:
    """Seen: what corrects a line named it by its number there, which is another person's here, and counted nowhere."""
    paths = [store_of("ada"), store_of("bob")]
    for number, path in enumerate(paths):
        with open_store(path) as store:
            (line,) = readings.select(store)
            if number or at_both:
                correct_reading(store, line.reading_id, said, NOW + timedelta(hours=1 + number))
    with open_store(paths[into]) as store:
        for _ in range(2):
            way(store, paths[1 - into])
            counted = [one.person for one in readings.select(store) if not VOID_MARKS.intersection(one.marks)]
            assert sorted(map(str, counted)) == ["ada", "bob"]


@pytest.mark.parametrize(
    "stations",
    [
        [["ada"], ["bob"]],
        [["ada"], ["bob"], ["eve"]],
        [["ada", "bob"], ["bob"]],
        [["ada", "bob"], ["bob", "ada"], ["eve", "bob"]],
        [["ada"], ["bob", "eve"]],
        [["ada"], ["Ada"]],
    ],
    ids=lambda stations: "+".join("".join(names) for names in stations),
)
def test_stations_with_one_line_of_several_people(store_of: Made, stations: list[list[str]]) -> None:
    paths = [store_of(*names) for names in stations]
    everybody = sorted({name.lower() for names in stations for name in names})
    first, *others = paths
    with open_store(first) as store:
        for _ in range(2):
            for path in others:
                merge(store, path)
            assert [str(name).lower().partition("#")[0] for name in owners(store)] == everybody
    with open_store(others[-1]) as store:  # and back again
        merge(store, first)
        assert len(owners(store)) == len(everybody)
        merge(store, others[0]) if others[0] != store.path else None
        assert len(owners(store)) == len(everybody)


def test_a_line_is_the_same_however_its_numbers_are_written(store_of: Made) -> None:
    """Seen: 120 of one station and 120.0 of another were two people's lines, and then one reading of both."""
    ours, theirs = store_of("ada", pulse=60), store_of()
    with open_store(theirs) as store:
        people.add(store, "bob", NOW)
        take_log(store, [LINE._replace(systolic=Decimal("120.0"), person="bob", pulse=Decimal(75))], NOW)
    with open_store(ours) as store:
        merge(store, theirs)
        assert {(one.person, one.pulse) for one in readings.select(store)} == {("ada", 60), ("bob", 75)}


def test_what_was_filled_in_goes_along(store_of: Made) -> None:
    ours, theirs = store_of("ada", pulse=60), store_of("bob", pulse=75)
    with open_store(ours) as store:
        merge(store, theirs)
        assert {(one.person, one.pulse) for one in readings.select(store)} == {("ada", 60), ("bob", 75)}
        take_log(store, [LINE._replace(person="bob", note="after a walk")], NOW)
        assert {(one.person, one.note) for one in readings.select(store)} == {("ada", None), ("bob", "after a walk")}


def test_a_reading_given_to_another_since_is_the_same_reading(store_of: Made) -> None:
    ours = store_of("ada", "eve")
    theirs = ours.with_name("theirs.db")
    with open_store(theirs) as store:
        merge(store, ours)
    with open_store(ours) as store:
        (mine,) = (one for one in readings.select(store) if one.person == "ada")
        people.add(store, "bob", NOW)
        giving.give(store, mine.reading_id, "bob", NOW + timedelta(days=1))
        merge(store, theirs)
        assert owners(store) == ["bob", "eve"]


@pytest.mark.parametrize("into", [0, 1])
@pytest.mark.parametrize("whose", ["eve", None])
@pytest.mark.parametrize("named_at_once", [True, False])
def test_what_somebody_said_holds_against_another_stations_log(
    store_of: Made, named_at_once: bool, whose: str | None, into: int
) -> None:
    """Seen: the log was taken in at the other station afterwards, and the reading was whom the log names again."""
    paths = [store_of(), store_of()]
    with open_store(paths[0]) as store, open_store(paths[1]) as other:
        for name in ("ada", "eve"):
            people.add(store, name, NOW)
        merge(other, paths[0])
        take_log(store, [LINE._replace(person="ada")], NOW)
        mine = next(readings.select(store)).reading_id
        (giving.give(store, mine, whose, NOW) if whose else giving.make_nobodys(store, mine, NOW))
        for name in ("ada",) if named_at_once else (None, "ada"):
            take_log(other, [LINE._replace(person=name)], NOW + timedelta(hours=1 if name else -1))
    with open_store(paths[into]) as store:
        merge(store, paths[1 - into])
        assert owners(store) == [str(whose)]
        assert take_log(store, [LINE._replace(person="ada")], NOW + timedelta(days=1)).new == 0


@pytest.mark.parametrize("into", [0, 1])
@pytest.mark.parametrize("whose", ["eve", None])
def test_what_somebody_said_holds_where_an_export_brought_it(store_of: Made, whose: str | None, into: int) -> None:
    """Seen: merged with the store that the export was of, both had it."""
    paths = [store_of(), store_of("ada")]
    with open_store(paths[0]) as store:
        bring_in(store, paths[1])
        people.add(store, "eve", NOW)
        mine = next(readings.select(store)).reading_id
        (giving.give(store, mine, whose, NOW) if whose else giving.make_nobodys(store, mine, NOW))
    with open_store(paths[into]) as store:
        merge(store, paths[1 - into])
        assert owners(store) == [str(whose)]


@pytest.mark.parametrize("named", ["ada", None])
def test_an_export_of_another_station_with_the_same_log_gives_nothing_back(store_of: Made, named: str | None) -> None:
    """Seen: the line was who it was given to here, and once more whose the log says."""
    paths = [store_of(), store_of("ada")]
    with open_store(paths[0]) as store:
        for name in ("ada", "eve"):
            people.add(store, name, NOW)
        take_log(store, [LINE._replace(person=named)], NOW)
        giving.give(store, next(readings.select(store)).reading_id, "eve", NOW)
        bring_in(store, paths[1])
        assert owners(store) == ["eve"]


def test_what_two_say_afterwards_of_a_line_without_a_name_is_said_of_one_reading(store_of: Made) -> None:
    paths = []
    for name in ("ada", "bob"):
        paths.append(store_of())
        with open_store(paths[-1]) as store:
            people.add(store, name, NOW)
            take_log(store, [LINE], NOW)
            giving.give(store, next(readings.select(store)).reading_id, name, NOW + timedelta(days=len(paths)))
    with open_store(paths[0]) as store:
        merge(store, paths[1])
        assert owners(store) == ["bob"]  # the later word


@pytest.mark.parametrize("said", [giving.make_nobodys, giving.leave_to_slot])
def test_what_is_nobodys_since_keeps_its_number_to_itself(
    store_of: Made, said: Callable[[Store, str, datetime], None]
) -> None:
    """One store has the two as two: where the one has the other's number, that one gets its own here."""
    with open_store(store_of("ada")) as here, open_store(store_of("bob")) as there:
        merge(there, here.path)
        adas = next(one.reading_id for one in readings.select(there) if one.person == "ada")
        said(there, adas, NOW + timedelta(days=1))
        for _ in range(2):
            merge(here, there.path)
            assert owners(here) == ["None", "bob"]
            merge(there, here.path)
            assert owners(there) == ["None", "bob"]


def test_two_who_turn_out_to_be_one_have_one_reading_that_counts(store_of: Made) -> None:
    ours, theirs = store_of("ada"), store_of("adele")
    with open_store(ours) as store:
        merge(store, theirs)
        unions.unite(store, "ada", "adele", NOW)
        reassign(store)
        assert [one.marks for one in readings.select(store)] == [(), ("written twice",)]


def exported(path: Path) -> list[Reading]:
    with open_store(path) as store:
        return list(readings.select(store))


def take_back(store: Store, found: list[Reading]) -> int:
    done = bring_back(store, found, NOW)
    for cuff in done.cuffs:
        derive_cuff(store, cuff)
    return done.new


def test_exports_of_several_stations(store_of: Made) -> None:
    ours = store_of("ada")
    others = [exported(store_of(*names)) for names in (("bob", "eve"), ("eve",), ("ada",))]
    with open_store(ours) as store:
        assert [take_back(store, found) for found in (*others, *others)] == [2, 0, 0, 0, 0, 0]
        assert owners(store) == ["ada", "bob", "eve"]
    with open_store(store_of("eve")) as store:
        merge(store, ours)
        assert [str(name).partition("#")[0] for name in owners(store)] == ["ada", "bob", "eve"]


def test_an_export_from_before_a_reading_was_given_to_another_brings_nothing(store_of: Made) -> None:
    ours = store_of("ada", "eve")
    before = exported(ours)
    with open_store(ours) as store:
        people.add(store, "bob", NOW)
        giving.give(store, before[0].reading_id, "bob", NOW)
        assert take_back(store, before) == 0
        assert len(owners(store)) == 2


def test_a_correction_into_the_same_line_stays_beside_it_and_they_count_once(store_of: Made) -> None:
    ours, theirs = store_of("ada"), store_of("ada")
    with open_store(theirs) as store, store.roomy():
        take_log(store, [LINE._replace(systolic=Decimal(210), person="ada")], NOW)
        wrong = next(one for one in readings.select(store) if one.systolic == 210)
        correct_reading(store, wrong.reading_id, Correction(systolic=Decimal(120)), NOW)
    with open_store(ours) as store:
        merge(store, theirs)
        assert sorted(one.marks for one in readings.select(store)) == [(), ("corrected",), ("written twice",)]
