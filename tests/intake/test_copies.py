"""What copies a reading counts once, whoever says later whose the two are; a rebuild finds the same."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from sqlite_steps import steps_of
from two_people import AT, CUFF, NOW, two_people

from collector.intake import erase_person, giving, merge, pipeline, rebuild
from collector.intake.correction import Correction, correct_reading, take_back_correction
from collector.intake.sources.hand_log import HandRow
from collector.intake.take_log import take_log
from collector.store import readings
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import visits
from collector.store.opening import open_store
from collector.store.people import slot_spans, unions
from collector.store.readings import copies, strikes
from collector.store.readings.copies import ALWAYS
from collector.store.values import HAND_COPY, VOID_MARKS, WRITTEN_TWICE, Reading
from parsers.stamps import build_date_time
from parsers.uuids import Uuid

WRITTEN = HandRow(taken_at=AT, systolic=Decimal(128), diastolic=Decimal(81))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with two_people(tmp_path) as store:
        yield store


def of(store: Store, cuff: str) -> Reading:
    return next(one for one in readings.select(store) if one.cuff == cuff)


def give(store: Store, cuff: str, person: str) -> None:
    giving.give(store, of(store, cuff).reading_id, person, NOW)


def give_slot(store: Store, person: str) -> None:
    slot_spans.add(store, person, CUFF, "1", NOW)
    pipeline.reassign(store, cuff=CUFF)


def unite(store: Store) -> None:
    unions.unite(store, "ada", "bob", NOW)
    pipeline.reassign(store)


@pytest.mark.parametrize(
    ("before", "said", "copy"),
    [
        (None, lambda store: give(store, CUFF, "bob"), False),
        (None, lambda store: give(store, "hand", "bob"), False),
        ("ada", lambda store: giving.make_nobodys(store, of(store, "hand").reading_id, NOW), True),
        ("bob", lambda store: give(store, "hand", "bob"), True),
        ("bob", lambda store: give(store, CUFF, "ada"), True),
        ("ada", lambda store: giving.make_nobodys(store, of(store, CUFF).reading_id, NOW), False),
        ("ada", lambda store: giving.leave_to_slot(store, of(store, CUFF).reading_id, NOW), False),
        (None, lambda store: give_slot(store, "bob"), False),
        ("bob", unite, True),
    ],
    ids=["sent", "written", "written nobody's", "both", "back", "nobody's", "slot's", "slot", "one"],
)
def test_whose_they_are_is_said_later(
    store: Store, before: str | None, said: Callable[[Store], None], copy: bool
) -> None:
    take_log(store, [WRITTEN._replace(person="ada")], NOW)
    if before:
        give(store, CUFF, before)
    said(store)
    after = list(readings.select(store))
    assert (HAND_COPY in of(store, "hand").marks) == copy
    rebuild(store)
    assert list(readings.select(store)) == after


@pytest.mark.parametrize("there", [False, True])
def test_of_one_who_is_erased_nothing_is_left_to_be_copied(store: Store, there: bool, tmp_path: Path) -> None:
    take_log(store, [WRITTEN], NOW)
    give(store, CUFF, "ada")
    if there:
        with open_store(tmp_path / "other.db") as other:
            merge(other, store.path)
            erase_person(other, "ada")
        merge(store, tmp_path / "other.db")
    else:
        erase_person(store, "ada")
    (left,) = readings.select(store)
    assert (left.cuff, left.marks) == ("hand", ())


def counted(store: Store) -> list[tuple[str, Decimal | None]]:
    return [(one.cuff, one.pulse) for one in readings.select(store) if not VOID_MARKS.intersection(one.marks)]


def test_what_stands_in_the_place_of_a_reading_is_no_copy_of_it(store: Store) -> None:
    """Corrected in its pulse alone, it has the values and the minute of the one that counts no longer."""
    give(store, CUFF, "ada")
    with store.roomy():
        correct_reading(store, of(store, CUFF).reading_id, Correction(pulse=Decimal(70)), NOW)
    assert counted(store) == [("hand", 70)]
    take_log(store, [WRITTEN._replace(person="ada")], NOW)  # the same value as the wrong one, copied before
    after = list(readings.select(store))
    rebuild(store)
    assert list(readings.select(store)) == after
    assert counted(store) == [("hand", 70)]


def test_what_copies_another_is_not_corrected_in_its_place(store: Store) -> None:
    """Both would count: what the cuff sent, and what stands in the place of its copy."""
    give(store, CUFF, "ada")
    take_log(store, [WRITTEN._replace(person="ada")], NOW)
    with pytest.raises(StoreError, match=f"'{HAND_COPY}'.*counts"):
        correct_reading(store, of(store, "hand").reading_id, Correction(systolic=Decimal(118)), NOW)
    assert counted(store) == [(CUFF, None)]


def test_a_correction_taken_back_counts_the_reading_as_it_came(store: Store) -> None:
    give(store, CUFF, "ada")
    with store.roomy():
        correct_reading(store, of(store, CUFF).reading_id, Correction(pulse=Decimal(70)), NOW)
        take_back_correction(store, of(store, CUFF).reading_id, NOW)
    assert counted(store) == [(CUFF, None)]
    after = list(readings.select(store))
    rebuild(store)
    assert list(readings.select(store)) == after


def test_a_line_is_no_second_writing_of_what_corrects_it_though_that_came_before(store: Store) -> None:
    """As under a clock that was set back since, or out of an export from where the line had come earlier."""
    line = HandRow(AT + timedelta(hours=1), Decimal(128), Decimal(82), person="ada")
    (written,) = take_log(store, [line], NOW).reading_ids
    for pulse in ("66", "67"):  # of what was put right before
        last = [one.reading_id for one in readings.select(store) if not VOID_MARKS.intersection(one.marks)][-1]
        correct_reading(store, last, Correction(pulse=Decimal(pulse)), NOW - timedelta(hours=1))
    copies.mark(store, ALWAYS)
    take_back_correction(store, written, NOW)
    assert readings.get(store, written).marks == ()


def test_one_line_of_two_people_who_are_one_counts_once(store: Store) -> None:
    lines = [WRITTEN._replace(taken_at=AT + timedelta(hours=3), person=name) for name in ("ada", "bob")]
    take_log(store, lines, NOW)
    assert len(counted(store)) == 3
    unite(store)
    assert [one.marks for one in readings.select(store)][1:] == [(), (WRITTEN_TWICE,)]
    strikes.strike(store, [*readings.select(store)][1].reading_id, NOW)
    assert counted(store) == [(CUFF, None)]  # the same measurement, and it counts no longer
    after = list(readings.select(store))
    rebuild(store)
    assert list(readings.select(store)) == after


@pytest.mark.parametrize("cuffs", [True, False])
def test_a_line_that_says_what_a_correction_says_of_that_minute_counts_once(store: Store, cuffs: bool) -> None:
    """As the same line twice in one log does; a cuff's reading has its seconds, and so has what corrects it."""
    if cuffs:
        give(store, CUFF, "ada")
        wrong, minute = of(store, CUFF).reading_id, AT
    else:
        minute = AT + timedelta(hours=3)
        line = WRITTEN._replace(taken_at=minute + timedelta(seconds=20), systolic=Decimal(182), person="ada")
        (wrong,) = take_log(store, [line], NOW).reading_ids
    right = WRITTEN._replace(taken_at=minute, systolic=Decimal(129), person="ada")
    nearly = [right._replace(taken_at=minute + timedelta(minutes=n)) for n in (-1, 1)]
    take_log(store, [right, *nearly, right._replace(person="bob")], NOW)
    before = counted(store)
    with store.roomy():
        said = Correction(systolic=Decimal(129), taken_at=minute + timedelta(seconds=20))
        instead = correct_reading(store, wrong, said, NOW)
    (twice,) = (one for one in readings.select(store) if WRITTEN_TWICE in one.marks)
    assert (twice.taken_at, twice.person, twice.systolic) == (minute, "ada", 129)
    strikes.strike(store, instead, NOW)  # of two that say the same somebody takes out the one
    assert readings.get(store, twice.reading_id).marks == ()
    strikes.undo(store, instead, NOW)
    after = list(readings.select(store))
    rebuild(store)
    assert list(readings.select(store)) == after
    take_back_correction(store, wrong, NOW)
    assert sorted(counted(store)) == sorted(before)


def test_a_cuffs_reading_that_another_clock_moves_takes_its_mark_along(store: Store) -> None:
    take_log(store, [WRITTEN], NOW)
    assert HAND_COPY in of(store, "hand").marks
    with store.transaction():
        visit = visits.past_visit(store, CUFF, store.own_station, AT + timedelta(minutes=1))
        shown = build_date_time(AT.replace(tzinfo=None) + timedelta(hours=2, minutes=1))  # it is two hours ahead
        visits.learn_value(store, visit, Uuid.DATE_TIME, shown, AT + timedelta(minutes=1))
    pipeline.settle(store, visit)
    assert of(store, CUFF).taken_at == AT - timedelta(hours=2)
    assert of(store, "hand").marks == ()


def test_looking_for_copies_costs_each_line_the_same_in_a_full_store(store: Store) -> None:
    steps = []
    for lines in (100, 400):
        log = [WRITTEN._replace(taken_at=AT + timedelta(hours=n), person="ada") for n in range(1, lines)]
        take_log(store, log, NOW + timedelta(minutes=lines))
        steps.append(steps_of(store, lambda: copies.mark(store, ALWAYS)))
    assert steps[1] < 5 * steps[0]
