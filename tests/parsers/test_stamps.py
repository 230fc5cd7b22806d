"""Wall times and clocks."""

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.stamps import (
    CurrentTime,
    DateTime,
    LocalTime,
    ReferenceTime,
    build_current_time,
    build_date_time,
    build_local_time,
    build_reference_time,
    parse_current_time,
    parse_date_time,
    parse_local_time,
    parse_reference_time,
)

PAIRS: Any = [
    (parse_current_time, build_current_time, 10),
    (parse_local_time, build_local_time, 2),
    (parse_reference_time, build_reference_time, 4),
]
walls = st.datetimes(min_value=datetime(1582, 1, 1), max_value=datetime(9999, 12, 31, 23, 59, 59))


@pytest.mark.parametrize(("parse", "build", "size"), PAIRS)
def test_any_octets_are_kept(parse: Any, build: Any, size: int) -> None:
    @given(st.binary(min_size=size, max_size=size + 4))
    def kept(value: bytes) -> None:
        assert build(parse(value)) == value

    kept()


@given(st.binary(min_size=7, max_size=7))
def test_any_seven_octets_are_kept(value: bytes) -> None:
    stamp = parse_date_time(value)
    assert stamp.raw == build_date_time(stamp) == value
    assert stamp.usable is (stamp.naive() is not None)
    assert str(stamp).count("T") == 1


@given(walls)
def test_wall_times_go_both_ways(when: datetime) -> None:
    whole = when.replace(microsecond=0)
    assert parse_date_time(build_date_time(when)).naive() == whole
    clock = parse_current_time(build_current_time(when))
    assert clock == CurrentTime.of(when)
    naive = clock.naive()
    assert naive is not None
    assert timedelta(0) <= when - naive < timedelta(seconds=1 / 256) + timedelta(microseconds=1)
    assert clock.day_of_week == when.isoweekday()


def test_a_zone_is_not_sent() -> None:
    wall = datetime(2026, 3, 9, 7, 41, 5)
    for zone in (UTC, timezone(timedelta(hours=5, minutes=45))):
        assert build_date_time(wall.replace(tzinfo=zone)) == build_date_time(wall)
        assert build_current_time(wall.replace(tzinfo=zone)) == build_current_time(wall)


def test_a_clock_to_be_set() -> None:
    wall = datetime(2026, 3, 9, 7, 41, 5, 500000)
    assert build_current_time(wall, reason=1) == bytes.fromhex("EA07 03 09 07 29 05 01 80 01")
    assert build_current_time(wall, 0, 1) == bytes.fromhex("EA07 03 09 07 29 05 01 00 01")
    assert CurrentTime.of(wall, 0b1010).adjusted_by == ("outside reference", "daylight saving changed")


def test_what_does_not_fit_is_refused() -> None:
    for wrong in (
        DateTime(year=-1, month=1, day=1, hour=0, minute=0, second=0),
        DateTime(year=2026, month=1, day=1, hour=256, minute=0, second=0),
    ):
        with pytest.raises(ValueError, match="cannot be built"):
            build_date_time(wrong)
    with pytest.raises(ValueError, match="cannot be built"):
        build_current_time(datetime(2026, 1, 1), 256)


def test_an_unusable_clock_has_no_wall_time() -> None:
    assert parse_current_time(bytes(10)).naive() is None


def test_reference_time() -> None:
    # Values: GATT Specification Supplement, "Reference Time Information".
    known = ReferenceTime(1, 8, 2, 5)
    assert (known.source_words, known.drift, known.since_update) == (
        "network time protocol",
        1,
        timedelta(days=2, hours=5),
    )
    unknown = ReferenceTime(0, 255, 255, 255)
    assert (unknown.source_words, unknown.drift, unknown.since_update) == ("unknown", None, None)
    assert ReferenceTime(200, 254, 0, 24).source_words == "reserved (200)"
    assert ReferenceTime(200, 254, 0, 24).since_update is None


@pytest.mark.parametrize("zone", [-128, -49, 57, 127])
def test_zones_that_are_unknown_or_reserved(zone: int) -> None:
    assert LocalTime(zone, 0).zone is None
