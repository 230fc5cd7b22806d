"""Two people who are one: whatever two stations said of them, in whatever order it comes together. Invented names."""

from datetime import UTC, datetime, timedelta
from shutil import copyfile
from typing import Any

import pytest
from contents import contents

from collector import intake
from collector.store import Selection, StoreError, audit, open_store, people, readings
from collector.store.people import slot_spans
from collector.store.people.notes import add as add_note
from collector.store.people.traces import search
from collector.store.people.unions import preview, unite
from collector.store.readings import claims
from parsers.measurement import build_measurement, measurement

MONDAY = datetime(2026, 3, 9, 7, 0, tzinfo=UTC)
LATER = MONDAY + timedelta(days=60)


def household(bench: Any, cuff: str, name: str, days: int = 3, slot: int = 1) -> None:
    """A station with a cuff and a person of its own."""
    bench.cuff = cuff
    people.add(bench.store, name, MONDAY)
    measure(bench, 0, days, slot)
    slot_spans.add(bench.store, name, cuff, slot, MONDAY)
    intake.reassign(bench.store)


def measure(bench: Any, first: int, last: int, slot: int = 1) -> None:
    for day in range(first, last):
        at = MONDAY + timedelta(days=day)
        value = build_measurement(measurement(120 + day, 80, stamp=(at + timedelta(hours=1)).replace(tzinfo=None),
                                              user_id=slot, pulse=60))  # fmt: skip
        bench.bring(value, at + timedelta(seconds=2))


@pytest.fixture
def two(make_bench: Any) -> Any:
    here, there = make_bench(), make_bench()
    household(here, "C0:FF:EE:00:00:01", "Mira Lohenstein")
    household(there, "C0:FF:EE:00:00:02", "mira lohenstein", days=4)
    add_note(there.store, "mira lohenstein", MONDAY.date(), "from the other station", "other", MONDAY)
    return here, there


def handles(store: Any) -> list[str]:
    """Who was here first, who came in."""
    return [person.name for person in sorted(people.every(store), key=lambda person: person.row)]


def test_two_of_one_name_can_each_be_called_and_be_made_one(two: Any) -> None:
    here, there = two
    intake.merge(here.store, there.store.path)
    with pytest.raises(StoreError, match=r"2 people are called 'Mira Lohenstein'.*person unite"):
        people.need(here.store, "Mira Lohenstein")
    mine, theirs = handles(here.store)
    assert [readings.count(here.store, Selection(person=name)) for name in (mine, theirs)] == [3, 4]
    union = preview(here.store, mine, theirs)
    assert (union.readings, union.slots, union.notes) == (4, 1, 1)
    assert len(people.every(here.store)) == 2
    assert unite(here.store, mine, theirs, LATER) == union
    intake.reassign(here.store)
    assert [(person.name, person.readings) for person in people.every(here.store)] == [("Mira Lohenstein", 7)]
    told = next(iter(audit.changes(here.store)))
    assert (told.what, told.at, told.person) == ("people united", LATER, "Mira Lohenstein")
    before = contents(here.store)
    intake.rebuild(here.store)
    assert contents(here.store) == before


def test_where_names_alone_tell_people_apart_two_of_one_name_are_refused(two: Any) -> None:
    here, there = two
    assert people.need_alone(here.store, "mira lohenstein").name == "Mira Lohenstein"
    intake.merge(here.store, there.store.path)
    for name in ("Mira Lohenstein", *handles(here.store)):
        with pytest.raises(StoreError, match="2 people"):
            people.need_alone(here.store, name)


def test_one_of_two_can_be_renamed_or_given_something(two: Any) -> None:
    here, there = two
    intake.merge(here.store, there.store.path)
    mine, theirs = handles(here.store)
    one = next(reading for reading in readings.select(here.store, Selection(person=mine)))
    claims.claim(here.store, one.reading_id, theirs, LATER)
    intake.reassign(here.store)
    assert readings.count(here.store, Selection(person=theirs)) == 5
    people.rename(here.store, theirs, "Mira the younger", LATER)
    assert handles(here.store) == ["Mira Lohenstein", "Mira the younger"]
    assert people.need(here.store, "mira lohenstein").row == people.every(here.store)[0].row


def test_what_comes_in_later_under_the_other_is_the_ones_who_was_kept(two: Any) -> None:
    here, there = two
    intake.merge(here.store, there.store.path)
    unite(here.store, *handles(here.store), LATER)
    measure(there, 4, 6)
    add_note(there.store, "mira lohenstein", MONDAY.date(), "and once more", "other", LATER)
    people.rename(there.store, "mira lohenstein", "M. L.", LATER - timedelta(days=1))
    intake.merge(here.store, there.store.path)
    assert [(person.name, person.readings) for person in people.every(here.store)] == [("Mira Lohenstein", 9)]
    intake.merge(there.store, here.store.path)
    assert [(person.name, person.readings) for person in people.every(there.store)] == [("Mira Lohenstein", 9)]


def test_a_name_given_since_where_nobody_knew_of_the_union_takes_nobody_apart(two: Any) -> None:
    here, there = two
    intake.merge(here.store, there.store.path)
    unite(here.store, *handles(here.store), LATER)
    people.rename(there.store, "mira lohenstein", "M. L.", LATER + timedelta(days=1))
    for one, other in ((here, there), (there, here), (here, there)):
        intake.merge(one.store, other.store.path)
        assert [(person.name, person.readings) for person in people.every(one.store)] == [("Mira Lohenstein", 7)]


def test_united_the_other_way_round_at_each_station_one_stays_the_same_everywhere(two: Any, tmp_path: Any) -> None:
    here, there = two
    intake.merge(here.store, there.store.path)
    intake.merge(there.store, here.store.path)
    mine, theirs = handles(here.store)
    unite(here.store, mine, theirs, LATER)
    unite(there.store, theirs, mine, LATER + timedelta(hours=1))
    copyfile(there.store.path, tmp_path / "before.db")
    for store in (here.store, there.store):
        intake.reassign(store)
    before = tmp_path / "before" / "store.db"
    with open_store(before) as copy:
        intake.merge(copy, there.store.path)
    intake.merge(there.store, here.store.path)
    intake.merge(here.store, before)
    assert [person.readings for person in people.every(here.store)] == [7]
    assert [person.readings for person in people.every(there.store)] == [7]
    for name in ("people", "spans", "notes", "readings", "audit"):
        assert contents(here.store)[name] == contents(there.store)[name], name


def test_erasing_takes_all_that_was_united(two: Any) -> None:
    here, there = two
    people.rename(there.store, "mira lohenstein", "Mirabell Unterwald", MONDAY + timedelta(hours=1))
    intake.merge(here.store, there.store.path)
    unite(here.store, "Mira Lohenstein", "Mirabell Unterwald", LATER)
    intake.reassign(here.store)
    traces = [b"Mirabell", b"Mira Lohenstein", b"mira lohenstein", b"from the other station"]
    assert search(here.store.path, traces)
    erased = intake.erase_person(here.store, "Mira Lohenstein")
    assert (erased.erasure.readings, erased.left) == (7, ())
    assert search(here.store.path, traces) == []
    intake.merge(here.store, there.store.path)
    assert search(here.store.path, traces) == []
    intake.merge(there.store, here.store.path)
    assert search(there.store.path, traces[:1]) == []
    assert people.every(there.store) == []


def test_nobody_is_united_with_himself(two: Any) -> None:
    here, _ = two
    with pytest.raises(StoreError, match="one person already"):
        unite(here.store, "Mira Lohenstein", "mira lohenstein", LATER)
    with pytest.raises(StoreError, match="no person 'Ben'"):
        unite(here.store, "Mira Lohenstein", "Ben", LATER)
