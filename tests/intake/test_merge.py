"""Merging stores: every payload once, whatever the order and however often; the later word of people holds."""

from datetime import timedelta
from pathlib import Path
from shutil import copyfile
from typing import Any

import pytest
from contents import contents
from fresh import folder, fresh
from histories import CUFFS, START, Visiting, histories, play
from hypothesis import given, settings
from hypothesis import strategies as st

from collector import intake
from collector.store import Store, StoreError, care, claims, open_store, people, readings, spans

deeds = st.lists(st.tuples(
    st.sampled_from(("add", "rename", "span", "claim", "release", "name")), st.integers(0, 5), st.integers(0, 10_000),
), max_size=6)  # fmt: skip


def live_with(store: Store, what: list[tuple[str, int, int]], station: int) -> None:
    """People and cuffs are named, given, claimed; each station in its own words. Refusals are part of life."""
    from collector.store import cuffs

    for deed, which, minute in what:
        at = START + timedelta(minutes=minute)
        found = [reading.reading_id for reading in readings.select(store)]
        try:
            if deed == "add":
                people.add(store, f"P{which}-{station}", at)
            elif deed == "rename":
                people.rename(store, f"P{which}-{station}", f"P{which + 1}-{station}", at)
            elif deed == "span":
                since = START + timedelta(days=which)
                spans.add(store, f"P{which}-{station}", CUFFS[which % 2], "any", at, since=since)
            elif deed == "claim" and found:
                claims.claim(store, found[minute % len(found)], f"P{which}-{station}", at)
            elif deed == "release" and found:
                claims.release(store, found[minute % len(found)], at)
            elif deed == "name":
                cuffs.name(store, CUFFS[which % 2], f"cuff {which} of {station}", at)
        except StoreError:
            continue
    intake.reassign(store)


@given(st.lists(st.tuples(histories, deeds), min_size=2, max_size=3), st.data())
@settings(max_examples=60, deadline=None)
def test_any_order_any_number_of_times_gives_the_same_store(lives: list[Any], data: st.DataObject) -> None:
    with folder() as base:
        paths = []
        for station, (history, what) in enumerate(lives):
            paths.append(Path(base) / f"{station}.db")
            with fresh(paths[-1]) as store:
                play(store, history)
                live_with(store, what, station)
        ends = []
        for attempt in range(2):
            numbers = range(len(paths))
            order = data.draw(st.lists(st.sampled_from(numbers), max_size=2)) + data.draw(st.permutations(numbers))
            with fresh(Path(base) / f"target {attempt}.db") as target:
                own = target.scalar("SELECT uid FROM station WHERE own")
                for number in order:
                    intake.merge(target, paths[number])
                ends.append(contents(target))
                assert not care.integrity(target)
                intake.rebuild(target)
                assert contents(target) == ends[-1]
                ends[-1]["stations"].remove((own,))
                ends[-1]["zones"] = [zone for zone in ends[-1]["zones"] if zone[0] != own]
        assert ends[0] == ends[1]


@given(histories, histories)
@settings(max_examples=40, deadline=None)
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
    from parsers.measurement import build_measurement, measurement

    value = build_measurement(measurement(128, 84, stamp=START.replace(tzinfo=None), user_id=1))
    here, there = make_bench(), make_bench()
    here.bring(value, START)
    there.bring(value, START + timedelta(minutes=3))
    brought = intake.merge(here.store, there.store.path)
    assert (brought.payloads, brought.known) == (1, 0)
    (reading,) = readings.select(here.store)
    assert reading.sightings == 2
    assert intake.merge(here.store, there.store.path).known == 1


def test_a_store_is_not_merged_with_itself(bench: Any) -> None:
    with pytest.raises(StoreError, match="itself"):
        intake.merge(bench.store, bench.store.path)
