"""Merging stores: every payload once, whatever the order and however often; the later word of people holds."""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from shutil import copyfile
from typing import Any
from zlib import crc32

import pytest
from contents import contents
from fresh import folder, fresh
from histories import CUFFS, START, Record, Visiting, histories, play
from hypothesis import given, settings
from hypothesis import strategies as st

from collector import intake
from collector.intake import giving
from collector.intake.correction import Correction, correct_reading, take_back_correction
from collector.intake.take_log import take_log
from collector.store import Store, StoreError, audit, open_store, people, readings, upkeep
from collector.store.journal import cuffs
from collector.store.people import loans, notes, office_visits, sittings, slot_spans
from collector.store.people.loan_states import State
from collector.store.people.unions import unite
from collector.store.readings import claims, strikes
from parsers.measurement import build_measurement, measurement

DEEDS = ("add", "rename", "span", "claim", "release", "name", "note", "note gone", "unite", "erase", "lend", "back",
         "mark", "sit", "strike", "count", "correct", "left", "log", "office", "withdraw")  # fmt: skip
KNOWS = st.sampled_from((None, 0, -1))
"""Which of the earlier stations' stores one knows when people come to it: none, the first, the last."""

deeds = st.lists(st.tuples(st.sampled_from(DEEDS), st.integers(0, 5), st.integers(0, 10_000)), max_size=8)


def live_with(store: Store, what: list[tuple[str, int, int]], station: int) -> None:
    """People and cuffs are named, given, claimed; each station in its own words. Refusals are part of life."""
    for deed, which, minute in what:
        try:
            do(store, deed, which, minute, station)
        except StoreError:
            continue
    intake.reassign(store)


def do(store: Store, deed: str, which: int, minute: int, station: int) -> None:
    at, day = START + timedelta(minutes=minute), START + timedelta(days=which)
    cuff = CUFFS[which % 2]
    found = [reading.reading_id for reading in readings.select(store)]
    people.add(store, f"P{which}-{station}", at) if deed == "add" or not people.every(store) else None
    names = [person.name for person in people.every(store)]
    who, other = names[which % len(names)], names[minute % len(names)]
    if deed == "rename":
        people.rename(store, who, f"P{minute % 7}-{station}", at)
    elif deed == "span":
        slot_spans.add(store, who, cuff, "any", at, since=day)
    elif deed == "claim" and found:
        claims.claim(store, found[minute % len(found)], who, at)
    elif deed == "release" and found:
        claims.release(store, found[minute % len(found)], at)
    elif deed == "name":
        cuffs.name(store, cuff, f"cuff {which} of {station}", at)
    elif deed == "note":
        notes.add(store, who, day.date(), f"note {minute} of {station}", "other", at)
    elif deed == "note gone" and (told := notes.every(store, who)):
        notes.remove(store, who, told[0].note_id, at)
    elif deed == "unite":
        unite(store, who, other, at)
        intake.reassign(store)
    elif deed == "erase":
        intake.reassign(store)
        intake.erase_person(store, who)
    elif deed == "lend":
        loans.lend(store, cuff, who, ("any",), at)
    elif deed == "back":
        loans.begin_return(store, cuff, at)
    elif deed == "mark":
        loans.set_state(store, cuff, State.AVAILABLE, at)
    elif deed in ("strike", "count", "correct", "left", "withdraw") and found:
        say_of_one(store, deed, found[minute % len(found)], at)
    elif deed == "log":
        of = who if minute % 2 else None
        # Of two people's same line the order of merges decides the ids: `test_twins` has those.
        own = crc32(store.scalar("SELECT uid FROM person WHERE name = ?", (who.partition("#")[0],))) if of else 0
        row = intake.HandRow(day, Decimal(110 + minute % 5), Decimal(80) + Decimal(own).scaleb(-10), None, of)
        take_log(store, [row], at)
    elif deed == "office":
        office_visits.add(store, who, day.date(), [(Decimal(144), Decimal(91))], at)
    elif deed == "sit":
        sittings.keep(store, who, day, ["rested"], found[:2], at)


def say_of_one(store: Store, deed: str, reading: str, at: datetime) -> None:
    if deed == "strike":
        strikes.strike(store, reading, at)
    elif deed == "count":
        strikes.undo(store, reading, at)
    elif deed == "correct":
        correct_reading(store, reading, Correction(pulse=Decimal(60 + at.minute % 9)), at)
    elif deed == "left":
        take_back_correction(store, reading, at)
    else:
        giving.leave_to_slot(store, reading, at)


@given(st.lists(st.tuples(histories, deeds, KNOWS), min_size=2, max_size=3), st.data())
@settings(max_examples=12, deadline=None)
def test_any_order_any_number_of_times_gives_the_same_store(lives: list[Any], data: st.DataObject) -> None:
    any_order(lives, data)


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_the_same_with_many_stores() -> None:
    @given(st.lists(st.tuples(histories, deeds, KNOWS), min_size=2, max_size=4), st.data())
    @settings(max_examples=1500, deadline=None)
    def many(lives: list[Any], data: st.DataObject) -> None:
        any_order(lives, data)

    many()


def any_order(lives: list[Any], data: st.DataObject) -> None:
    """Stations live, some of them with what an earlier one knows; two stores take them in, each in its own order."""
    with folder() as base:
        paths: list[Path] = []
        for station, (history, what, knows) in enumerate(lives):
            path = Path(base) / f"{station}.db"
            with fresh(path) as store:
                play(store, history)
                if knows is not None and paths:
                    intake.merge(store, paths[knows])
            with open_store(path) as store:  # as another command does
                live_with(store, what, station)
            paths.append(path)
        ends = []
        for attempt in range(2):
            numbers = range(len(paths))
            order = data.draw(st.lists(st.sampled_from(numbers), max_size=2)) + data.draw(st.permutations(numbers))
            with fresh(Path(base) / f"target {attempt}.db") as target:
                own = target.scalar("SELECT uid FROM station WHERE own")
                for number in order:
                    intake.merge(target, paths[number])
                ends.append(contents(target))
                assert not upkeep.integrity(target)
                intake.rebuild(target)
                assert contents(target) == ends[-1]
                ends[-1]["stations"].remove((own,))
                ends[-1]["zones"] = [zone for zone in ends[-1]["zones"] if zone[0] != own]
        assert ends[0] == ends[1]


@given(histories, histories)
@settings(max_examples=10, deadline=None)
def test_each_may_take_in_the_other(one: list[Visiting], two: list[Visiting]) -> None:
    with folder() as base:
        paths = [Path(base) / "a.db", Path(base) / "b.db"]
        for path, history in zip(paths, (one, two), strict=True):
            with fresh(path) as store:
                play(store, history)
        copyfile(paths[1], Path(base) / "b before.db")
        with open_store(paths[0]) as a, open_store(paths[1]) as b:
            intake.merge(a, Path(base) / "b before.db")
            intake.merge(b, paths[0])
            assert contents(a) == contents(b)
            before = contents(a)
            assert intake.merge(a, paths[1]).payloads == 0
            assert contents(a) == before


def test_the_same_reading_heard_by_two_stations_is_one(make_bench: Any, tmp_path: Path) -> None:
    value = build_measurement(measurement(128, 84, stamp=START.replace(tzinfo=None), user_id=1))
    here, there = make_bench(), make_bench()
    here.bring(value, START)
    there.bring(value, START + timedelta(minutes=3))
    brought = intake.merge(here.store, there.store.path)
    assert (brought.payloads, brought.known) == (1, 0)
    (reading,) = readings.select(here.store)
    assert reading.sightings == 2
    assert intake.merge(here.store, there.store.path).known == 1


def test_a_visit_that_was_going_on_at_the_last_merge_counts_by_how_it_ended(make_bench: Any) -> None:
    """A record that is older than the last whole visit may be of a clock nobody saw; not one it could not send."""
    here, there = make_bench(), make_bench()
    at = [START + timedelta(days=day) for day in range(3)]
    clocks = [one.replace(tzinfo=None) for one in at]
    for when, clock in zip(at[:2], clocks, strict=False):
        there.end(there.visit(when, clock), when)
    going_on = there.visit(at[2], clocks[2])
    stamp = clocks[1] + timedelta(hours=1)
    there.bring(build_measurement(measurement(128, 84, stamp=stamp)), at[2] + timedelta(minutes=9))
    intake.merge(here.store, there.store.path)
    there.end(going_on, at[2] + timedelta(minutes=10))
    intake.merge(here.store, there.store.path)
    ours, theirs = (next(readings.select(one.store)).taken_uncertainty_s for one in (here, there))
    assert ours is theirs is None


def test_a_store_is_not_merged_with_itself(bench: Any) -> None:
    with pytest.raises(StoreError, match="itself"):
        intake.merge(bench.store, bench.store.path)


def test_merge_and_rebuild_say_how_far_they_are(make_bench: Any) -> None:
    here, there = make_bench(), make_bench()
    for number in range(30):
        there.cuff = f"C0:FF:EE:00:00:0{number % 3}"
        at = START + timedelta(minutes=number)
        there.bring(build_measurement(measurement(120 + number, 80, stamp=at.replace(tzinfo=None))), at)
    for work in (lambda told: intake.merge(here.store, there.store.path, told),
                 lambda told: intake.rebuild(here.store, told)):  # fmt: skip
        steps: list[tuple[int, int]] = []
        work(lambda done, of, steps=steps: steps.append((done, of)))
        assert steps[-1] == (30, 30)
        assert len(steps) >= 3
        assert all(0 < done <= of for done, of in steps)


@pytest.mark.parametrize("erased_first", [True, False])
def test_the_history_of_an_erased_persons_reading_goes_in_either_order(tmp_path: Path, erased_first: bool) -> None:
    """It was released before it was the person's, so its line names nobody."""
    here, there = tmp_path / "here.db", tmp_path / "there.db"
    with fresh(there) as store:
        record = Record(systolic=112, delay=0, stamped=0, slot=None, broken=False, uuid=0x2A35)
        quiet = Visiting(
            cuff=0, gap=0, clock_off=0, read="", set_clock=False, feature=False, outside=False, records=(), again=0
        )
        play(store, [replace(quiet, records=(record,))])
        (reading,) = readings.select(store)
        people.add(store, "mira", START)
        claims.release(store, reading.reading_id, START + timedelta(hours=1))
        claims.claim(store, reading.reading_id, "mira", START + timedelta(hours=2))
        intake.reassign(store)
    with fresh(here) as store:
        intake.merge(store, there)
        intake.erase_person(store, "mira")
    with fresh(tmp_path / "both.db") as both:
        for path in (here, there) if erased_first else (there, here):
            intake.merge(both, path)
        assert list(readings.select(both)) == []
        assert [change.what for change in audit.changes(both)] == ["person erased"]
