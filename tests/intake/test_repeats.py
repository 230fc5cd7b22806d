"""Nothing twice, nothing eaten: when two payloads are one reading, and when they are not."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fresh import folder, fresh
from hypothesis import given, settings
from hypothesis import strategies as st

from collector import intake
from collector.intake.recognise import SAME_STAMP
from collector.store import Store, journal, readings
from parsers.enhanced import build_enhanced
from parsers.measurement import Measurement, build_measurement, measurement
from parsers.record import build_segments
from parsers.stamps import EpochTime
from parsers.uuids import Uuid

NOON = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)
STAMP = datetime(2026, 3, 9, 7, 41, 5)
CUFF = "C0:FF:EE:00:00:01"


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
    assert [reading.sightings for reading in readings.select(bench.store)] == [2, 2, 1, 1]


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
@settings(max_examples=100, deadline=None)
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


def fresh_in(base: str) -> Store:
    from pathlib import Path

    return fresh(Path(base) / "store.db")
