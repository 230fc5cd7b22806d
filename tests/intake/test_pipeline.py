"""From payload to reading: the whole of intake on a real store."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from collector import intake
from collector.store import Basis, Selection, journal, readings
from parsers.measurement import Measurement, build_enhanced, build_measurement, measurement
from parsers.record import build_segments
from parsers.stamps import EpochTime
from parsers.uuids import Uuid

NOON = datetime(2026, 3, 9, 12, 0, 0, tzinfo=UTC)
MORNING = datetime(2026, 3, 9, 7, 41, 5)


def test_a_published_payload_becomes_a_reading(bench: Any) -> None:
    # nRF5 SDK, blood pressure sample: 117/76/103 mmHg, 2012-12-05 11:05:03, pulse 60.
    outcome = bench.bring(bytes.fromhex("0675004C006700DC070C050B05033C00"), NOON)
    assert outcome.fresh
    (reading,) = readings.select(bench.store)
    assert (reading.systolic, reading.diastolic, reading.mean, reading.pulse) == (117, 76, 103, 60)
    assert reading.stamp == "2012-12-05T11:05:03"
    assert reading.taken_at.isoformat() == "2012-12-05T11:05:03+01:00"
    assert reading.taken_basis is Basis.CUFF
    assert reading.payload == "0675004c006700dc070c050b05033c00"
    assert reading.reading_id == outcome.reading_id
    again = intake.interpret(bench.store, 1)  # which was taken up already
    assert (again.reading, again.reading_id) == (outcome.reading, outcome.reading_id)


def test_what_comes_after_a_clock_that_ran_ahead_is_told_as_new_all_the_same(bench: Any) -> None:
    """Seen: for ten years every new reading was logged as repeated, and no notice was called for a very high one."""
    bench.bring(build_measurement(measurement(128, 84)), NOON + timedelta(days=3650))
    value = build_measurement(measurement(192, 121, stamp=MORNING))
    outcome = bench.bring(value, NOON)
    assert outcome.fresh
    assert not bench.bring(value, NOON + timedelta(minutes=1)).fresh
    assert [one.sightings for one in readings.select(bench.store)] == [2, 1]


def test_the_clock_read_in_the_visit_corrects_the_stamp(bench: Any) -> None:
    # At noon UTC, 13:00 in Vienna, the cuff shows 13:20: it is twenty minutes fast.
    visit = bench.visit(NOON, clock=datetime(2026, 3, 9, 13, 20))
    value = build_measurement(measurement("128.0", 84, stamp=datetime(2026, 3, 9, 13, 15)))
    bench.bring(value, NOON + timedelta(seconds=5), visit)
    bench.end(visit, NOON + timedelta(seconds=9))
    (reading,) = readings.select(bench.store, Selection(last=1))
    assert reading.taken_basis is Basis.CORRECTED
    assert reading.taken_at == NOON - timedelta(minutes=5)
    assert str(reading.systolic) == "128.0"
    assert reading.systolic == Decimal(128)


def test_what_cannot_be_decoded_is_kept_with_the_reason(bench: Any) -> None:
    outcome = bench.bring(bytes.fromhex("03020304050607"), NOON)
    assert outcome.kind == "undecodable"
    (trouble,) = journal.troubles(bench.store)
    assert trouble.value.hex() == "03020304050607"
    assert trouble.reason
    assert not list(readings.select(bench.store))
    again = intake.interpret(bench.store, 1)  # told once more, it is what it was
    assert (again.kind, again.reading, again.reading_id, again.reason) == ("undecodable", None, None, trouble.reason)


def test_cuff_pressure_is_no_reading(bench: Any) -> None:
    assert bench.bring(bytes.fromhex("009100FF07FF07"), NOON, uuid=0x2A36).kind == "pressure"
    assert readings.count(bench.store) == 0
    assert not list(journal.troubles(bench.store))


def test_a_cuff_pressure_that_is_cut_off_is_kept_with_the_reason(bench: Any) -> None:
    for second, uuid in enumerate((0x2A36, 0x2B35)):
        outcome = bench.bring(bytes.fromhex("0091"), NOON + timedelta(seconds=second), uuid=uuid)
        assert outcome.kind == "undecodable"
    assert len([one for one in journal.troubles(bench.store) if one.reason]) == 2


def test_a_failed_measurement_has_no_values(bench: Any) -> None:
    bench.bring(bytes.fromhex("00FF07FF07FF07"), NOON)
    (reading,) = readings.select(bench.store)
    assert reading.systolic is None
    assert "failed" in reading.marks


def test_odd_values_are_stored_and_marked(bench: Any) -> None:
    for systolic, diastolic in ((80, 120), (350, 90), (0, 0)):
        bench.bring(build_measurement(measurement(systolic, diastolic)), NOON)
    assert [reading.marks for reading in readings.select(bench.store)] == [("implausible",)] * 3


def test_the_features_say_what_could_be_assessed(bench: Any) -> None:
    before = build_measurement(measurement(128, 84, stamp=MORNING, status=4))
    bench.bring(before, NOON)
    (reading,) = readings.select(bench.store)
    assert (reading.features_known, reading.assessed, reading.status) == (False, (), ("irregular pulse",))
    visit = bench.visit(NOON + timedelta(days=1), feature=0b0101)
    bench.end(visit, NOON + timedelta(days=1, seconds=2))
    (reading,) = readings.select(bench.store)
    assert reading.features_known
    assert reading.assessed == ("body movement", "irregular pulse")


def test_an_unencrypted_record_of_a_bonded_cuff_is_kept_and_marked(bench: Any) -> None:
    from collector.store.journal import visits

    visit = bench.visit(NOON)
    value = build_measurement(measurement(128, 84, stamp=MORNING))
    bench.bring(value, NOON, visit, encrypted=False)
    visits.learn_bond(bench.store, visit, True, None, NOON + timedelta(seconds=1))
    other = build_measurement(measurement(129, 85, stamp=MORNING + timedelta(minutes=3)))
    bench.bring(other, NOON + timedelta(seconds=2), visit, encrypted=False)
    assert [reading.marks for reading in readings.select(bench.store)] == [(), ("unencrypted",)]


def enhanced(stamp: datetime | None, user_facing: datetime | None) -> Measurement:
    plain = measurement("128.0", 84, 99, pulse=66, user_id=2, status=4)
    return Measurement(
        0x40, plain.unit, plain.systolic, plain.diastolic, plain.mean, stamp and EpochTime.of(stamp),
        user_facing and EpochTime.of(user_facing), plain.pulse, plain.user_id, plain.status, b"",
        Uuid.ENHANCED_MEASUREMENT,
    )  # fmt: skip


def test_a_stored_record_in_segments_is_one_reading(bench: Any) -> None:
    value = build_enhanced(enhanced(MORNING - timedelta(hours=1), MORNING))
    segments = build_segments(7, 0x2B34, value, size=20, crc=True)
    assert len(segments) == 2
    visit = bench.visit(NOON, feature=0x40)
    outcomes = [bench.bring(part, NOON, visit, uuid=0x2B36) for part in segments]
    assert [outcome.kind for outcome in outcomes] == ["segment", "reading"]
    (reading,) = readings.select(bench.store)
    assert (reading.systolic, reading.slot, reading.sightings) == (128, 2, 1)
    assert reading.stamp == "2026-03-09T07:41:05"
    assert not list(journal.troubles(bench.store))
    again = [bench.bring(part, NOON + timedelta(minutes=1), visit, uuid=0x2B36) for part in segments]
    assert again[1].reading_id == reading.reading_id
    assert not again[1].fresh


def test_a_record_that_never_ends_or_fails_its_check_is_kept(bench: Any) -> None:
    segments = build_segments(7, 0x2B34, build_enhanced(enhanced(None, MORNING)), size=20, crc=True)
    visit = bench.visit(NOON, feature=0x40)
    bench.bring(segments[0], NOON, visit, uuid=0x2B36)
    (waiting,) = journal.troubles(bench.store)
    assert waiting.kind == "segment"
    broken = segments[1][:-1] + bytes([segments[1][-1] ^ 1])
    assert bench.bring(broken, NOON, visit, uuid=0x2B36).kind == "undecodable"
    assert [trouble.kind for trouble in journal.troubles(bench.store)] == ["segment", "undecodable"]
    assert readings.count(bench.store) == 0


def test_a_crash_between_commit_and_interpretation_costs_nothing(bench: Any) -> None:
    visit = bench.visit(NOON, clock=datetime(2026, 3, 9, 13, 20))
    value = build_measurement(measurement(128, 84, stamp=datetime(2026, 3, 9, 13, 15)))
    journal.append(bench.store, cuff=bench.cuff, characteristic=0x2A35, value=value, arrived_at=NOON,
                   source="virtual", visit=visit)  # fmt: skip
    assert journal.counts(bench.store).waiting == 1
    assert intake.catch_up(bench.store) == 1
    assert intake.catch_up(bench.store) == 0
    (reading,) = readings.select(bench.store)
    assert reading.taken_at == NOON - timedelta(minutes=5)


def test_a_hand_written_row_is_a_reading_with_its_own_basis(bench: Any) -> None:
    row = intake.HandRow(NOON, Decimal("131"), Decimal("82"), Decimal("64"), note="after the walk")
    bench.cuff = "hand"
    outcome = bench.bring(row.build(), NOON + timedelta(days=3), uuid=intake.HAND_CHARACTERISTIC)
    assert outcome.fresh
    assert not bench.bring(row.build(), NOON + timedelta(days=4), uuid=intake.HAND_CHARACTERISTIC).fresh
    (reading,) = readings.select(bench.store)
    assert (reading.taken_at, reading.taken_basis, reading.note) == (NOON, Basis.HAND, "after the walk")
    assert reading.sightings == 2


def test_catching_up_says_how_far_it_is(bench: Any) -> None:
    for minute in range(3):
        value = build_measurement(measurement(120 + minute, 80))
        at = NOON + timedelta(minutes=minute)
        journal.append(
            bench.store, cuff=bench.cuff, characteristic=0x2A35, value=value, arrived_at=at, source="virtual"
        )
    told: list[tuple[int, int]] = []
    assert intake.catch_up(bench.store, lambda done, of: told.append((done, of))) == 3
    assert told == [(1, 3), (2, 3), (3, 3)]
