"""Nothing twice, nothing eaten: when two payloads are one reading, and when they are not."""

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fresh import folder, fresh
from hypothesis import given, settings
from hypothesis import strategies as st

from collector import intake
from collector.intake.cuff_facts import cuff_facts
from collector.intake.decode import Content
from collector.intake.repeats import SAME_STAMP
from collector.store import Store, journal, readings
from collector.store.instants import to_us
from collector.store.journal import stations, visit_facts, visits
from collector.store.readings.write import Row
from parsers.measurement import Measurement, build_enhanced, build_measurement, measurement
from parsers.record import build_segments
from parsers.stamps import EpochTime, build_current_time
from parsers.uuids import Uuid

NOON = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)
STAMP = datetime(2026, 3, 9, 7, 41, 5)
CUFF = "C0:FF:EE:00:00:01"


def test_a_row_begins_with_what_a_payload_tells_in_its_order() -> None:
    told = Content._fields[: Content._fields.index("note") + 1]
    assert Row._fields[1 : 1 + len(told)] == told


def plain(**change: Any) -> bytes:
    fields = {"systolic": 128, "diastolic": 84, "mean": 99, "stamp": STAMP, "pulse": 66, "user_id": 1, "status": 4}
    return build_measurement(measurement(**(fields | change)))


def enhanced(base: datetime | None = None, systolic: str = "128", stamp: datetime = STAMP) -> bytes:
    m = measurement(systolic, 84, 99, pulse=66, user_id=1, status=4)
    return build_enhanced(Measurement(
        0x40, m.unit, m.systolic, m.diastolic, m.mean, base and EpochTime.of(base), EpochTime.of(stamp),
        m.pulse, m.user_id, m.status, b"", Uuid.ENHANCED_MEASUREMENT,
    ))  # fmt: skip


@pytest.mark.parametrize("change", [
    {"systolic": 129}, {"diastolic": 85}, {"mean": 100}, {"pulse": 67}, {"status": 0}, {"user_id": 2},
    {"user_id": None}, {"stamp": STAMP + timedelta(seconds=1)}, {"pulse": None}, {"status": None},
])  # fmt: skip
def test_any_difference_makes_another_reading(bench: Any, change: dict[str, Any]) -> None:
    assert bench.bring(plain(), NOON).fresh
    assert bench.bring(plain(**change), NOON + timedelta(seconds=1)).fresh
    assert not bench.bring(plain(**change), NOON + timedelta(days=1)).fresh
    assert readings.count(bench.store) == 2


def test_equal_stamp_and_other_values_are_two_and_both_marked(bench: Any) -> None:
    bench.bring(plain(), NOON)
    bench.bring(plain(systolic=140), NOON)
    bench.bring(plain(systolic=150, user_id=2), NOON)
    marked = {reading.slot: SAME_STAMP in reading.marks for reading in readings.select(bench.store)}
    assert marked == {1: True, 2: False}


def test_a_repeat_is_the_same_after_the_cuffs_clock_was_changed(bench: Any) -> None:
    visit = bench.visit(NOON, clock=datetime(2026, 3, 9, 13, 0))
    bench.bring(plain(), NOON, visit)
    bench.end(visit, NOON + timedelta(seconds=5))
    (before,) = readings.select(bench.store)
    later = NOON + timedelta(days=2)
    visit = bench.visit(later, clock=datetime(2015, 1, 1, 0, 3))
    assert not bench.bring(plain(), later, visit).fresh
    bench.end(visit, later + timedelta(seconds=5))
    (reading,) = readings.select(bench.store)
    assert (reading.sightings, reading.taken_at) == (2, before.taken_at)


def test_the_same_reading_in_two_encodings_is_one(bench: Any) -> None:
    first = bench.bring(plain(), NOON)
    second = bench.bring(enhanced(STAMP - timedelta(hours=1), "128.0"), NOON, uuid=0x2B34)
    parts = build_segments(4, 0x2B34, enhanced(STAMP - timedelta(hours=1)), size=20)
    visit = bench.visit(NOON)
    third = [bench.bring(part, NOON, visit, uuid=0x2B36) for part in parts][-1]
    assert first.reading_id == second.reading_id == third.reading_id
    (reading,) = readings.select(bench.store)
    assert reading.sightings == 3
    assert readings.sightings(bench.store, reading.reading_id)[1][3] == enhanced(
        STAMP - timedelta(hours=1), "128.0").hex()  # fmt: skip


def test_unstamped_repeats_within_a_visit_or_the_time_of_a_measurement(bench: Any) -> None:
    value = plain(stamp=None)
    visit = bench.visit(NOON)
    assert bench.bring(value, NOON, visit).fresh
    assert not bench.bring(value, NOON + timedelta(minutes=3), visit).fresh  # one visit
    assert bench.bring(value, NOON + timedelta(minutes=4)).fresh
    assert not bench.bring(value, NOON + timedelta(minutes=4, seconds=25)).fresh  # too soon for another measurement
    assert bench.bring(value, NOON + timedelta(minutes=5)).fresh
    assert bench.bring(value, NOON + timedelta(days=1)).fresh
    assert not bench.bring(value, NOON + timedelta(days=1, seconds=10)).fresh  # the nearest one before counts
    assert [reading.sightings for reading in readings.select(bench.store)] == [2, 2, 1, 2]
    intake.rebuild(bench.store)
    assert [reading.sightings for reading in readings.select(bench.store)] == [2, 2, 1, 2]


def test_a_clock_that_shows_nothing_is_no_stamp(bench: Any) -> None:
    value = plain()[:7] + bytes(7) + plain()[14:]
    assert bench.bring(value, NOON).fresh
    assert bench.bring(value, NOON + timedelta(days=1)).fresh
    assert [reading.stamp for reading in readings.select(bench.store)] == [None, None]


def test_a_stamp_without_year_is_still_a_stamp(bench: Any) -> None:
    # Android-BLE-Common-Library, full test value: year unknown, 17 April 20:41:59.
    value = bytes.fromhex("1E8A00580078000000041114293B3C00012700")
    assert bench.bring(value, NOON).fresh
    assert not bench.bring(value, NOON + timedelta(days=1)).fresh
    (reading,) = readings.select(bench.store)
    assert reading.stamp is not None
    assert reading.stamp.endswith("-04-17T20:41:59")
    assert reading.taken_at == NOON


def test_a_frame_seen_again_after_a_crash_is_no_second_sighting(bench: Any) -> None:
    for attempt in range(2):
        added = journal.append(bench.store, cuff=CUFF, characteristic=0x2A35, value=plain(), arrived_at=NOON,
                               source="witness", mark="hci0 1773057600.000001")  # fmt: skip
        assert added.new == (attempt == 0)
        intake.interpret(bench.store, added.payload)
    (reading,) = readings.select(bench.store)
    assert reading.sightings == 1


def test_a_mark_that_two_frames_share_loses_neither(bench: Any) -> None:
    for value in (plain(), plain(systolic=140), plain(systolic=140)):
        added = journal.append(bench.store, cuff=CUFF, characteristic=0x2A35, value=value, arrived_at=NOON,
                               source="witness", mark="the same")  # fmt: skip
        intake.interpret(bench.store, added.payload)
    assert [reading.sightings for reading in readings.select(bench.store)] == [1, 1]


@given(st.lists(st.tuples(
    st.integers(0, 90), st.integers(118, 120), st.sampled_from((None, 1)), st.booleans(), st.integers(1, 3),
), max_size=12), st.randoms(use_true_random=False))  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_nothing_twice_nothing_eaten(taken: list[Any], chance: Any) -> None:
    """True readings, alike as can be and seconds apart, each sent one to three times, in any order within a visit.

    Two stay two unless their payloads are the same octets, stamp and all.
    """
    payloads = [
        build_measurement(measurement(systolic, 80, stamp=STAMP + timedelta(seconds=second), user_id=slot))
        for second, systolic, slot, _, _ in taken
    ]
    sent = [value for value, (_, _, _, _, times) in zip(payloads, taken, strict=True) for _ in range(times)]
    chance.shuffle(sent)
    with folder() as base, fresh_in(base) as store:
        for number, value in enumerate(sent):
            added = journal.append(store, cuff=CUFF, characteristic=0x2A35, value=value,
                                   arrived_at=NOON + timedelta(seconds=number), source="virtual")  # fmt: skip
            intake.interpret(store, added.payload)
        found = list(readings.select(store))
        assert len(found) == len(set(payloads))
        assert sum(reading.sightings for reading in found) == len(sent)
        for reading in found:
            assert reading.sightings == sent.count(bytes.fromhex(reading.payload))


def fresh_in(base: str, name: str = "store") -> Store:
    return fresh(Path(base) / f"{name}.db")


@dataclass(frozen=True)
class Sending:
    """One visit at one of two stations. measured: what the cuff measures before it, as (seconds, systolic, slot); of
    all that it holds it sends those that `which` says, in either encoding; set_by: its clock is moved afterwards, in
    minutes."""

    station: int
    gap: int  # minutes
    measured: tuple[tuple[int, int, int | None], ...]
    which: tuple[int, ...]
    encoded: bool
    in_visit: bool
    reads: bool
    set_by: int


sendings = st.builds(
    Sending, station=st.integers(0, 1), gap=st.sampled_from((0, 1, 5, 700, 20_000)),
    measured=st.lists(st.tuples(st.sampled_from((0, 1, 31, 59)), st.integers(119, 120), st.sampled_from((None, 1))),
                      max_size=3).map(tuple),
    which=st.lists(st.integers(0, 9), max_size=6).map(tuple), encoded=st.booleans(), in_visit=st.booleans(),
    reads=st.booleans(), set_by=st.sampled_from((0, 0, 0, 60, -60, -1)),
)  # fmt: skip


def hold_to_it(life: list[Sending]) -> None:
    """What was sent by anybody is there once, however it came; and what was not alike stays apart."""
    now, off = NOON, timedelta(0)
    memory: list[tuple[datetime, int, int | None]] = []
    sent: list[tuple[datetime, int, int | None]] = []
    with folder() as base, fresh_in(base, "a") as here, fresh_in(base, "b") as there:
        for one in life:
            now += timedelta(minutes=one.gap)
            store = (here, there)[one.station]
            memory += [((now + off + timedelta(seconds=second)).replace(tzinfo=None), systolic, slot)
                       for second, systolic, slot in one.measured]  # fmt: skip
            now += timedelta(minutes=1)
            visit = visits.open_visit(store, CUFF, "virtual", now)
            if one.reads:
                visits.learn_value(store, visit, 0x2A2B, build_current_time((now + off).replace(tzinfo=None)), now)
            for index in one.which:
                if not memory:
                    break
                chosen = memory[index % len(memory)]
                sent.append(chosen)
                now += timedelta(seconds=1)
                added = journal.append(store, cuff=CUFF, characteristic=0x2B34 if one.encoded else 0x2A35,
                                       value=encoded(*chosen, one.encoded), arrived_at=now, source="virtual",
                                       visit=visit if one.in_visit else None)  # fmt: skip
                intake.interpret(store, added.payload)
            visits.close_visit(store, visit, now, "cuff left")
            intake.settle(store, visit)
            off += timedelta(minutes=one.set_by)
        intake.merge(here, there.path)
        for _ in range(2):
            found = {(datetime.fromisoformat(one.stamp or ""), int(one.systolic or 0), one.slot): one.sightings
                     for one in readings.select(here)}  # fmt: skip
            assert found == Counter(sent)
            assert readings.count(here) == len(found)
            intake.rebuild(here)


def encoded(stamp: datetime, systolic: int, slot: int | None, enhanced_form: bool) -> bytes:
    if not enhanced_form:
        return plain(stamp=stamp, systolic=systolic, user_id=slot)
    m = measurement(systolic, 84, 99, pulse=66, user_id=slot, status=4)
    return build_enhanced(Measurement(
        0x40, m.unit, m.systolic, m.diastolic, m.mean, EpochTime.of(stamp - timedelta(hours=1)), EpochTime.of(stamp),
        m.pulse, m.user_id, m.status, b"", Uuid.ENHANCED_MEASUREMENT,
    ))  # fmt: skip


@given(st.lists(sendings, max_size=8))
@settings(max_examples=20, deadline=None)
def test_nothing_twice_nothing_eaten_by_two_stations_encodings_and_changed_clocks(life: list[Sending]) -> None:
    hold_to_it(life)


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_nothing_twice_nothing_eaten_over_many_histories() -> None:
    @given(st.lists(sendings, max_size=25))
    @settings(max_examples=1500, deadline=None)
    def many(life: list[Sending]) -> None:
        hold_to_it(life)

    many()


def test_an_unstamped_repeat_is_told_by_one_clock_only(bench: Any) -> None:
    """Half a minute means nothing between arrivals timed by two clocks of the station that nobody compared."""
    value = plain(stamp=None)
    stations.unsure_clock(bench.store, "one boot", 100.0)
    assert bench.bring(value, NOON).fresh
    assert not bench.bring(value, NOON + timedelta(seconds=5)).fresh
    stations.unsure_clock(bench.store, "another boot", 100.0)
    assert bench.bring(value, NOON + timedelta(seconds=10)).fresh


def test_the_feature_word_that_counts_is_the_latest_before_then(bench: Any) -> None:
    """A cuff that was updated says something else from then on; before the first word the first one has to do."""
    body, pulse, cuff = 1, 4, 1  # Blood Pressure Feature bits: body movement, irregular pulse
    visits_at = (NOON, NOON + timedelta(days=1), NOON + timedelta(days=2))
    for at, word in zip(visits_at, (body, pulse, body | pulse), strict=True):
        bench.end(bench.visit(at, feature=word), at + timedelta(seconds=1))

    def word(at: datetime, later: bool = True) -> int | None:
        us = to_us(at)
        found = cuff_facts(visit_facts.told(bench.store, cuff, us, us)).feature_at(us, later)
        return None if found is None else found.raw

    assert word(NOON - timedelta(seconds=1), later=False) is None
    assert word(NOON - timedelta(seconds=1)) == body
    assert word(NOON) == body
    assert word(NOON + timedelta(hours=30)) == pulse
    assert word(NOON + timedelta(days=9)) == body | pulse
