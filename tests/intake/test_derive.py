"""From payload to reading: the whole of intake on a real store."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from collector import intake
from collector.store import Basis, Selection, Store, journal, open_store, readings, stations, visits
from parsers.measurement import build_measurement, measurement
from parsers.stamps import build_current_time

CUFF = "C0:FF:EE:00:00:01"
NOON = datetime(2026, 3, 9, 12, 0, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    opened = open_store(tmp_path / "home" / "q.db")
    stations.set_zone(opened, "Europe/Vienna", datetime(1970, 1, 1, tzinfo=UTC))
    return opened


def bring(
    store: Store, value: bytes, at: datetime, visit: int | None = None, uuid: int = 0x2A35
) -> intake.Outcome:
    added = journal.append(
        store, cuff=CUFF, characteristic=uuid, value=value, arrived_at=at, source="virtual", visit=visit
    )
    return intake.interpret(store, added.payload)


def test_a_published_payload_becomes_a_reading(store: Store) -> None:
    # nRF5 SDK, blood pressure sample: 117/76/103 mmHg, 2012-12-05 11:05:03, pulse 60.
    outcome = bring(store, bytes.fromhex("0675004C006700DC070C050B05033C00"), NOON)
    assert outcome.fresh
    (reading,) = readings.select(store)
    assert (reading.systolic, reading.diastolic, reading.mean, reading.pulse) == (117, 76, 103, 60)
    assert reading.stamp == "2012-12-05T11:05:03"
    assert reading.taken_at.isoformat() == "2012-12-05T11:05:03+01:00"
    assert reading.taken_basis is Basis.CUFF
    assert reading.payload == "0675004c006700dc070c050b05033c00"
    assert reading.reading_id == outcome.reading_id


def test_a_repeat_is_a_sighting(store: Store) -> None:
    value = build_measurement(measurement(128, 84, stamp=datetime(2026, 3, 9, 7, 41, 5), pulse=66))
    assert bring(store, value, NOON).fresh
    again = bring(store, value, NOON + timedelta(days=3))
    assert not again.fresh
    (reading,) = readings.select(store)
    assert reading.sightings == 2
    assert len(readings.sightings(store, reading.reading_id)) == 2


def test_the_clock_read_in_the_visit_corrects_the_stamp(store: Store) -> None:
    visit = visits.open_visit(store, CUFF, "virtual", NOON)
    # At noon UTC, 13:00 in Vienna, the cuff shows 13:20: it is twenty minutes fast.
    visits.learn_value(store, visit, 0x2A2B, build_current_time(datetime(2026, 3, 9, 13, 20)), NOON)
    value = build_measurement(measurement("128.0", 84, stamp=datetime(2026, 3, 9, 13, 15)))
    bring(store, value, NOON + timedelta(seconds=5), visit)
    visits.close_visit(store, visit, NOON + timedelta(seconds=9), "cuff left")
    intake.settle(store, visit)
    (reading,) = readings.select(store, Selection(last=1))
    assert reading.taken_basis is Basis.CORRECTED
    assert reading.taken_at == NOON - timedelta(minutes=5)
    assert str(reading.systolic) == "128.0"
    assert reading.systolic == Decimal(128)


def test_what_cannot_be_decoded_is_kept_with_the_reason(store: Store) -> None:
    outcome = bring(store, bytes.fromhex("03020304050607"), NOON)
    assert outcome.kind == "undecodable"
    (trouble,) = journal.troubles(store)
    assert trouble.value.hex() == "03020304050607"
    assert trouble.reason
    assert not list(readings.select(store))


def test_cuff_pressure_is_no_reading(store: Store) -> None:
    assert bring(store, bytes.fromhex("009100FF07FF07"), NOON, uuid=0x2A36).kind == "pressure"
    assert readings.count(store) == 0
    assert not list(journal.troubles(store))


def test_a_failed_measurement_has_no_values(store: Store) -> None:
    bring(store, bytes.fromhex("00FF07FF07FF07"), NOON)
    (reading,) = readings.select(store)
    assert reading.systolic is None
    assert "failed" in reading.marks
