"""The enhanced measurement and both cuff pressures."""

from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.errors import ParseError
from parsers.intermediate import (
    CuffPressure,
    build_enhanced_intermediate,
    build_intermediate,
    parse_enhanced_intermediate,
    parse_intermediate,
)
from parsers.measurement import build_enhanced, measurement, parse_enhanced
from parsers.pressure import Unit
from parsers.sfloat import SFloat
from parsers.stamps import DateTime, EpochTime
from parsers.uuids import Uuid

BOTH = bytes.fromhex("7E 8000 5400 6300 01284131 4200 02 0400 11364131")
PAIRS: Any = [
    (parse_enhanced, build_enhanced),
    (parse_intermediate, build_intermediate),
    (parse_enhanced_intermediate, build_enhanced_intermediate),
]


@pytest.mark.parametrize(("parse", "build"), PAIRS)
def test_any_octets_are_refused_or_kept(parse: Any, build: Any) -> None:
    @given(st.binary(max_size=26))
    def kept(value: bytes) -> None:
        try:
            content = parse(value)
        except ParseError:
            return
        assert build(content) == value
        assert parse(build(content)) == content

    kept()


@pytest.mark.parametrize("flags", range(128))
def test_every_combination_of_fields(flags: int) -> None:
    ends = ((2, 7, 11), (4, 11, 13), (8, 13, 14), (16, 14, 16), (32, 16, 20))
    value = bytes([flags]) + BOTH[1:7] + b"".join(BOTH[start:end] for bit, start, end in ends if flags & bit)
    m = parse_enhanced(value)
    epoch = 2000 if flags & 0x40 else 1900
    assert m.stamp == (EpochTime(826353665, epoch) if flags & 2 else None)
    assert m.user_facing == (EpochTime(826357265, epoch) if flags & 32 else None)
    absent = (m.pulse is None, m.user_id is None, m.status is None)
    assert absent == tuple(not flags & bit for bit in (4, 8, 16))
    assert (m.trailing, m.reserved_flags, m.unit) == (b"", 0, Unit.KPA if flags & 1 else Unit.MMHG)
    assert build_enhanced(m) == value
    for length in range(len(value)):
        with pytest.raises(ParseError) as caught:
            parse_enhanced(value[:length])
        assert caught.value.octet == length


def test_user_facing_time_is_the_wall_clock() -> None:
    m = parse_enhanced(BOTH)
    assert m.user_facing is not None
    assert m.stamp is not None
    assert m.user_facing.naive() == datetime(2026, 3, 9, 7, 41, 5)
    assert m.stamp.naive() == datetime(2026, 3, 9, 6, 41, 5)


@pytest.mark.parametrize(
    ("seconds", "epoch", "wall"),
    [
        # The last seconds that 32 bits hold from either epoch; calculated.
        (0xFFFFFFFF, 1900, datetime(2036, 2, 7, 6, 28, 15)),
        (0xFFFFFFFF, 2000, datetime(2136, 2, 7, 6, 28, 15)),
        (0, 1900, datetime(1900, 1, 1)),
        (0, 2000, datetime(2000, 1, 1)),
    ],
)
def test_epochs(seconds: int, epoch: int, wall: datetime) -> None:
    assert EpochTime(seconds, epoch).naive() == wall
    assert EpochTime.of(wall, epoch) == EpochTime(seconds, epoch)


def test_a_classic_measurement_becomes_an_enhanced_one() -> None:
    plain = measurement(128, 84, 99, pulse=66, user_id=2, status=4)
    made = plain._replace(stamp=EpochTime(826353665, 2000), user_facing=EpochTime(826357265, 2000))
    assert build_enhanced(made) == BOTH


@pytest.mark.parametrize(
    "change",
    [
        {"stamp": DateTime(year=2026, month=3, day=9, hour=7, minute=41, second=5)},
        {"user_facing": EpochTime(0, 1900)},
        {"stamp": EpochTime(1 << 32, 2000)},
        {"stamp": EpochTime(5, 1970), "user_facing": None},
        {"user_id": 300},
    ],
)
def test_what_does_not_fit_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"cannot be built|epoch"):
        build_enhanced(parse_enhanced(BOTH)._replace(**change))


def test_the_unused_places_of_a_cuff_pressure() -> None:
    nan = SFloat.absent()
    made = CuffPressure(
        flags=0,
        unit=Unit.MMHG,
        pressure=SFloat(145),
        unused=None,
        stamp=None,
        user_facing=None,
        pulse=None,
        user_id=None,
        status=None,
    )
    assert build_intermediate(made) == bytes.fromhex("00 9100 FF07 FF07")
    assert parse_intermediate(build_intermediate(made)) == replace(made, unused=(nan, nan))
    assert build_enhanced_intermediate(made) == bytes.fromhex("00 9100")
    assert parse_enhanced_intermediate(bytes.fromhex("00 9100")) == replace(
        made, characteristic=Uuid.ENHANCED_INTERMEDIATE
    )


def test_seconds_do_not_go_into_a_classic_cuff_pressure() -> None:
    made = parse_enhanced_intermediate(bytes.fromhex("42 9100 01284131"))
    with pytest.raises(ValueError, match="seconds since an epoch"):
        build_intermediate(made)
