"""Whose a reading is: spans, claims, what is set aside, and the record of every change."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from collector import intake
from collector.intake.owner import UNSURE, OwnerSpan, owner
from collector.store import Selection, StoreError, audit, people, readings
from collector.store.instants import SECOND
from collector.store.people import slot_spans
from collector.store.readings import claims
from parsers.measurement import build_measurement, measurement

MONDAY = datetime(2026, 3, 9, 7, 0, tzinfo=UTC)


def take(bench: Any, at: datetime, systolic: int = 128, slot: int | None = 1) -> str:
    """A reading whose stamp shows Vienna's wall time, arriving two seconds after it was taken."""
    stamp = (at + timedelta(hours=1)).replace(tzinfo=None)
    value = build_measurement(measurement(systolic, 80, stamp=stamp, user_id=slot))
    outcome = bench.bring(value, at + timedelta(seconds=2))
    assert outcome.reading_id
    return str(outcome.reading_id)


def owners(bench: Any) -> list[str | None]:
    return [reading.person for reading in readings.select(bench.store)]


def give(bench: Any, person: str, slot: slot_spans.Slot, **when: Any) -> int:
    if people.find(bench.store, person) is None:
        people.add(bench.store, person, MONDAY)
    row = slot_spans.add(bench.store, person, bench.cuff, slot, MONDAY, **when)
    intake.reassign(bench.store, cuff=bench.cuff)
    return row


def test_slots_tell_people_apart_and_the_rest_stays_visible(bench: Any) -> None:
    for hour, slot in enumerate((1, 2, None, 0, 255)):
        take(bench, MONDAY + timedelta(hours=hour), slot=slot)
    give(bench, "Ada", 1)
    give(bench, "Ben", 2)
    assert owners(bench) == ["Ada", "Ben", None, None, None]
    assert readings.unassigned(bench.store) == 3
    assert [r.slot for r in readings.select(bench.store, Selection(unassigned=True))] == [None, 0, 255]
    give(bench, "Cleo", None)
    assert owners(bench) == ["Ada", "Ben", "Cleo", None, None]
    give(bench, "Cleo", "any")
    assert owners(bench) == ["Ada", "Ben", "Cleo", "Cleo", "Cleo"]


def test_a_span_begins_and_ends(bench: Any) -> None:
    midnight = MONDAY - timedelta(hours=8)
    take(bench, MONDAY)
    row = give(bench, "Ada", 1, since=midnight + timedelta(days=1), until=midnight + timedelta(days=3))
    for day in (1, 2, 3):
        take(bench, MONDAY + timedelta(days=day), systolic=128 + day)
    assert owners(bench) == [None, "Ada", "Ada", None]
    slot_spans.end(bench.store, row, midnight + timedelta(days=2), MONDAY)
    give(bench, "Ben", 1, since=midnight + timedelta(days=2))
    assert owners(bench) == [None, "Ada", "Ben", "Ben"]
    slot_spans.remove(bench.store, row, MONDAY)
    intake.reassign(bench.store)
    assert owners(bench) == [None, None, "Ben", "Ben"]


def test_a_slot_is_one_persons_at_a_time(bench: Any) -> None:
    take(bench, MONDAY)
    give(bench, "Ada", 1, until=MONDAY + timedelta(days=1))
    with pytest.raises(StoreError, match="Ada's"):
        give(bench, "Ben", 1)
    give(bench, "Ben", 1, since=MONDAY + timedelta(days=1))
    with pytest.raises(StoreError, match="empty"):
        give(bench, "Ben", 2, since=MONDAY, until=MONDAY)
    with pytest.raises(StoreError, match="0 to 255"):
        give(bench, "Ben", 300)


def test_mondays_reading_of_somebody_else_is_two_commands_to_put_right(bench: Any) -> None:
    give_to_ada = take(bench, MONDAY)
    take(bench, MONDAY + timedelta(days=1))
    give(bench, "Ada", 1)
    people.add(bench.store, "Ben", MONDAY)
    claims.claim(bench.store, give_to_ada[:6], "Ben", MONDAY + timedelta(days=2))
    intake.reassign(bench.store)
    assert owners(bench) == ["Ben", "Ada"]
    intake.rebuild(bench.store)
    assert owners(bench) == ["Ben", "Ada"]
    claims.release(bench.store, give_to_ada, MONDAY + timedelta(days=3))
    intake.reassign(bench.store)
    assert owners(bench) == [None, "Ada"]
    claims.withdraw(bench.store, give_to_ada, MONDAY + timedelta(days=4))
    intake.reassign(bench.store)
    assert owners(bench) == ["Ada", "Ada"]
    told = [(change.what, change.person) for change in audit.changes(bench.store)]
    assert told == [
        ("claim withdrawn", None),
        ("reading released", "Ben"),
        ("reading claimed", "Ben"),
        ("person added", "Ben"),
        ("slot given", "Ada"),
        ("person added", "Ada"),
    ]


def test_a_strict_span_takes_only_what_is_surely_of_its_time(bench: Any) -> None:
    # The clock cannot be read and shows local time: nobody can tell how far a stamp is to be trusted.
    take(bench, MONDAY)
    row = give(bench, "Ada", 1, since=MONDAY - timedelta(days=1), strict=True)
    assert owners(bench) == [None]
    (reading,) = readings.select(bench.store)
    assert UNSURE in reading.marks
    slot_spans.remove(bench.store, row, MONDAY)
    give(bench, "Ada", 1, since=MONDAY - timedelta(days=1))
    assert owners(bench) == ["Ada"]


def test_what_is_lent_whole_is_the_borrowers_alone(bench: Any) -> None:
    take(bench, MONDAY)
    tuesday = MONDAY + timedelta(days=1)
    row = give(bench, "Ada", 1)
    with pytest.raises(StoreError, match=r"slot 1 of .* is Ada's from the beginning; end that first"):
        give(bench, "B-117", "any", since=tuesday, strict=True)
    slot_spans.end(bench.store, row, tuesday, tuesday)
    with pytest.raises(StoreError, match=r"is Ada's until 2026-03-10.*; give the time before or after that \(--since"):
        give(bench, "Ben", 1)
    give(bench, "B-117", "any", since=tuesday, strict=True)
    with pytest.raises(StoreError, match=r"lent to B-117 from 2026-03-10.*--until"):
        give(bench, "Ben", 2)
    give(bench, "Ben", 2, until=tuesday)
    give(bench, "B-117", 3)


def test_what_two_stations_lent_and_gave_is_nobodys_until_somebody_decides() -> None:
    given, lent = OwnerSpan(1, 1, None, None, strict=False), OwnerSpan(2, slot_spans.ANY, 0, None, strict=True)
    for spans in ([given, lent], [lent, given]):
        assert owner(1, 10**9, 0.0, spans) == (None, UNSURE)
        assert owner(2, 10**9, 0.0, spans) == (2, None)
    assert owner(1, 10**9, 0.0, [given, OwnerSpan(2, slot_spans.ANY, 0, None, strict=False)]) == (1, None)


def test_a_time_that_may_lie_outside_the_span_is_set_aside(bench: Any) -> None:
    visit = bench.visit(MONDAY, clock=MONDAY.replace(tzinfo=None))
    value = build_measurement(measurement(128, 80, stamp=MONDAY.replace(tzinfo=None), user_id=1))
    bench.bring(value, MONDAY + timedelta(seconds=1), visit)
    bench.end(visit, MONDAY + timedelta(seconds=3))
    give(bench, "Ada", 1, until=MONDAY + timedelta(seconds=1))
    assert owners(bench) == [None]
    (reading,) = readings.select(bench.store)
    assert UNSURE in reading.marks


def test_names(bench: Any) -> None:
    people.add(bench.store, "Ada", MONDAY)
    for bad in ("ada ", "", "  ", "A\x1b[2J"):
        with pytest.raises(StoreError):
            people.add(bench.store, bad, MONDAY)
    people.rename(bench.store, "ADA", "Ada", MONDAY)
    people.rename(bench.store, "Ada", "Ada K", MONDAY)
    assert [person.name for person in people.every(bench.store)] == ["Ada K"]
    with pytest.raises(StoreError, match="no person 'Ada'"):
        people.need(bench.store, "Ada")


def test_two_stations_that_gave_one_slot_to_two_people_leave_it_to_be_decided(make_bench: Any) -> None:
    here, there = make_bench(), make_bench()
    taken = take(here, MONDAY)
    take(there, MONDAY + timedelta(days=1))
    give(here, "Ada", 1)
    give(there, "Ben", 1)
    intake.merge(here.store, there.store.path)
    assert owners(here) == [None, None]
    assert all(UNSURE in reading.marks for reading in readings.select(here.store))
    claims.claim(here.store, taken, "Ada", MONDAY)
    intake.reassign(here.store)
    assert owners(here) == ["Ada", None]


def test_the_instant_at_which_a_span_ends_is_the_next_ones() -> None:
    """From is included, until is not: a reading of that very instant is who comes next's, and needs no doubt."""
    spans = [OwnerSpan(1, 4, 100, 200, False), OwnerSpan(2, 4, 200, None, False)]
    found = [owner(4, at, None, spans)[0] for at in (99, 100, 199, 200, 201)]
    assert found == [None, 1, 1, 2, 2]


@pytest.mark.parametrize(
    ("at", "uncertainty_s", "whose"),
    [(101, 1, 1), (100, 1, None), (198, 1, 1), (199, 1, None), (150, 49, 1), (150, 50, None)],
)
def test_whoever_is_unsure_of_a_second_is_unsure_at_both_ends(at: int, uncertainty_s: int, whose: int | None) -> None:
    spans = [OwnerSpan(1, 4, 100 * SECOND, 200 * SECOND, False)]
    assert owner(4, at * SECOND, uncertainty_s, spans) == (whose, None if whose else UNSURE)


def test_a_span_cannot_end_when_or_before_it_began(bench: Any) -> None:
    people.add(bench.store, "ada", MONDAY)
    take(bench, MONDAY)
    row = slot_spans.add(bench.store, "ada", bench.cuff, 1, MONDAY, since=MONDAY)
    for until in (MONDAY, MONDAY - timedelta(days=1)):
        with pytest.raises(StoreError, match="before it began"):
            slot_spans.end(bench.store, row, until, MONDAY)
    slot_spans.end(bench.store, row, MONDAY + timedelta(seconds=1), MONDAY)
    assert slot_spans.get(bench.store, row).until == MONDAY + timedelta(seconds=1)
    with pytest.raises(StoreError, match="empty"):
        slot_spans.add(bench.store, "ada", bench.cuff, 2, MONDAY, since=MONDAY, until=MONDAY)
