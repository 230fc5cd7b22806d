"""The cuff's clock beside ours."""

from datetime import UTC, datetime

import pytest

from parsers.cuff_clock import build_clock, clock_shown, seconds_ahead
from parsers.uuids import Uuid

NOON = datetime(2026, 3, 9, 12, 0, 0, tzinfo=UTC)


def ahead(characteristic: int, value: bytes, zone: str) -> float | None:
    shown = clock_shown(characteristic, value)
    return None if shown is None else seconds_ahead(shown, NOON, zone)


def test_current_time_octets() -> None:
    """GATT Specification Supplement, "Current Time": local time, ISO weekday, 1/256 s, adjust reason."""
    at = datetime(2026, 3, 9, 6, 41, 5, 500_000, tzinfo=UTC)
    assert build_clock(Uuid.CURRENT_TIME, at, "Europe/Berlin") == bytes.fromhex("ea070309072905018002")


def test_date_time_octets() -> None:
    """GATT Specification Supplement, "Date Time"."""
    at = datetime(2018, 4, 17, 15, 51, 0, tzinfo=UTC)
    assert build_clock(Uuid.DATE_TIME, at, "UTC") == bytes.fromhex("e20704110f3300")


@pytest.mark.parametrize("characteristic", [Uuid.CURRENT_TIME, Uuid.DATE_TIME])
@pytest.mark.parametrize("zone", ["UTC", "Asia/Kathmandu", "America/St_Johns"])
def test_what_we_write_reads_as_right(characteristic: int, zone: str) -> None:
    assert ahead(characteristic, build_clock(characteristic, NOON, zone), zone) == 0.0


def test_daylight_saving_is_in_the_wall_clock() -> None:
    summer = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
    assert build_clock(Uuid.DATE_TIME, summer, "Europe/Berlin")[4] == 14
    assert build_clock(Uuid.DATE_TIME, NOON, "Europe/Berlin")[4] == 13


def test_ahead_and_behind() -> None:
    fast = build_clock(Uuid.DATE_TIME, datetime(2026, 3, 9, 12, 1, tzinfo=UTC), "UTC")
    assert ahead(Uuid.DATE_TIME, fast, "UTC") == 60.0
    slow = build_clock(Uuid.DATE_TIME, datetime(2020, 3, 9, 12, 0, tzinfo=UTC), "UTC")
    assert ahead(Uuid.DATE_TIME, slow, "UTC") == pytest.approx(-(6 * 365 + 1) * 86400)


@pytest.mark.parametrize("value", ["", "00", "00000000121a20", "ea070d01000000", "ea07021e000000", "ffffffffffffff"])
@pytest.mark.parametrize("characteristic", [Uuid.CURRENT_TIME, Uuid.DATE_TIME])
def test_a_clock_that_shows_no_time(characteristic: int, value: str) -> None:
    assert clock_shown(characteristic, bytes.fromhex(value)) is None
