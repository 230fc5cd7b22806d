"""A value that came from a handle of which nothing was known: what discovery tells gives it its meaning, for good."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from collector import intake
from collector.store import journal, readings
from collector.store.journal import visits
from parsers.measurement import build_measurement, measurement
from parsers.record import build_segments

NOON = datetime(2026, 3, 9, 12, 0, 0, tzinfo=UTC)
MORNING = datetime(2026, 3, 9, 7, 41, 5)


def test_it_waits_for_discovery_and_is_then_read(bench: Any) -> None:
    visit = bench.visit(NOON)
    value = build_measurement(measurement(131, 84, stamp=MORNING))
    outcome = bench.bring(value, NOON, visit, uuid=0, handle=0x12)
    assert outcome.kind == "undecodable"
    assert "0x0012" in outcome.reason
    later = bench.visit(NOON + timedelta(days=1))
    visits.learn_handles(bench.store, later, {0x12: 0x2A35}, NOON + timedelta(days=1))
    (new,) = intake.take_up_discovery(bench.store, later)
    (reading,) = readings.select(bench.store)
    assert (reading.systolic, reading.reading_id) == (131, new)
    assert not list(journal.troubles(bench.store))
    before = list(readings.select(bench.store))
    intake.rebuild(bench.store)
    assert list(readings.select(bench.store)) == before


def test_what_stood_at_another_place_was_no_measurement(bench: Any) -> None:
    visit = bench.visit(NOON)
    bench.bring(b"\x01\x00\xff\xff", NOON, visit, uuid=0, handle=0x09)
    visits.learn_handles(bench.store, visit, {0x12: 0x2A35}, NOON)
    assert intake.take_up_discovery(bench.store, visit) == ()
    assert not list(journal.troubles(bench.store))
    assert readings.count(bench.store) == 0


def test_what_was_discovered_before_holds_until_it_is_told_otherwise(bench: Any) -> None:
    """The first discovery after the arrival decides; without one, the last before it."""
    visit = bench.visit(NOON)
    visits.learn_handles(bench.store, visit, {0x12: 0x2A36}, NOON)
    one = build_measurement(measurement(131, 84, stamp=MORNING))
    bench.bring(one, NOON + timedelta(hours=1), visit, uuid=0, handle=0x12)
    assert readings.count(bench.store) == 0
    visits.learn_handles(bench.store, visit, {0x12: 0x2A35}, NOON + timedelta(hours=2))
    assert len(intake.take_up_discovery(bench.store, visit)) == 1
    visits.learn_handles(bench.store, visit, {0x20: 0x2A35}, NOON + timedelta(hours=3))
    intake.take_up_discovery(bench.store, visit)
    assert readings.count(bench.store) == 1


def test_segments_before_and_after_discovery_are_one_record(bench: Any) -> None:
    visit = bench.visit(NOON)
    value = build_measurement(measurement(131, 84, stamp=MORNING))
    first, *rest = build_segments(7, 0x2A35, value, size=14)
    bench.bring(first, NOON, visit, uuid=0, handle=0x20)
    visits.learn_handles(bench.store, visit, {0x20: 0x2B36}, NOON)
    intake.take_up_discovery(bench.store, visit)
    for number, segment in enumerate(rest, start=1):
        bench.bring(segment, NOON + timedelta(seconds=number), visit, uuid=0x2B36, handle=0x20)
    (reading,) = readings.select(bench.store)
    assert reading.systolic == 131


@pytest.mark.parametrize("nonsense", [b"\xff", b"[", b"[]", b"7", b'{"18": "x"}', b'{"18": 1e999}', b"[" * 100_000])
@pytest.mark.parametrize("kind", ["handles", "bond"])
def test_a_fact_that_cannot_be_read_stops_nothing(bench: Any, kind: str, nonsense: bytes) -> None:
    """It may have come from another station's store."""
    visit = bench.visit(NOON)
    visits.learn_handles(bench.store, visit, {0x12: 0x2A35}, NOON)
    value = build_measurement(measurement(131, 84, stamp=MORNING))
    bench.bring(value, NOON + timedelta(minutes=1), visit, uuid=0, handle=0x12)
    bench.store.query(
        """INSERT INTO visit_fact (uid, visit_id, cuff_id, kind, value, at)
        SELECT x'00', ?, cuff_id, ?, ?, opened_at FROM visit WHERE id = ?""",
        (visit, kind, nonsense, visit),
    )
    intake.rebuild(bench.store)
    (reading,) = readings.select(bench.store)
    assert reading.systolic == 131


def test_a_discovery_that_found_no_measurement_says_so(bench: Any) -> None:
    """It is the last word, unlike a fact that cannot be read."""
    visit = bench.visit(NOON)
    visits.learn_handles(bench.store, visit, {0x12: 0x2A35}, NOON)
    visits.learn_handles(bench.store, visit, {}, NOON + timedelta(minutes=1))
    value = build_measurement(measurement(131, 84, stamp=MORNING))
    outcome = bench.bring(value, NOON + timedelta(minutes=2), visit, uuid=0, handle=0x12)
    assert outcome.kind == "other"
    assert readings.count(bench.store) == 0
