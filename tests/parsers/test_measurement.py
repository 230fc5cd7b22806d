"""Blood Pressure Measurement 0x2A35: every combination of fields, every reserved bit, every length."""

import struct
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.errors import ParseError
from parsers.measurement import Measurement, build_measurement, measurement, parse_measurement
from parsers.pressure import Unit
from parsers.sfloat import Absence, SFloat
from parsers.stamps import DateTime, EpochTime
from parsers.status import PulseRange, Status

FULL = bytes.fromhex("1E 8000 5400 6300 EA07 03 09 07 29 05 4200 02 0400")
words = st.integers(0, 0xFFFF).map(SFloat)
octet = st.integers(0, 255)
statuses = st.integers(0, 0xFFFF).map(Status)
stamps = st.builds(
    DateTime,
    *[st.one_of(st.none(), st.integers(1, top)) for top in (0xFFFF, 255, 255)],
    *[octet] * 3,
    trailing=st.just(b""),
)


@st.composite
def measurements(draw: st.DrawFn) -> Measurement:
    made = Measurement(
        flags=0,
        unit=draw(st.sampled_from(Unit)),
        systolic=draw(words),
        diastolic=draw(words),
        mean=draw(words),
        stamp=draw(st.none() | stamps),
        user_facing=None,
        pulse=draw(st.none() | words),
        user_id=draw(st.none() | octet),
        status=draw(st.none() | statuses),
        trailing=draw(st.binary(max_size=6)),
    )
    flags = build_measurement(made)[0]
    return made._replace(flags=flags | draw(st.sampled_from([0, 0x20, 0x40, 0x80, 0xE0])))


def by_the_definition(value: bytes) -> dict[str, Any]:
    """A second decoder, written from the table of the characteristic with `struct` alone."""
    flags, at, found = value[0], 7, dict.fromkeys(("stamp", "pulse", "user_id", "status"))
    found["words"] = struct.unpack_from("<3H", value, 1)
    table = ((2, "stamp", "<H5B"), (4, "pulse", "<H"), (8, "user_id", "<B"), (16, "status", "<H"))
    for bit, name, code in table:
        if flags & bit:
            found[name] = struct.unpack_from(code, value, at)
            at += struct.calcsize(code)
    if at > len(value):
        raise struct.error
    return found | {"trailing": value[at:], "kpa": bool(flags & 1)}


@given(st.binary(max_size=24))
def test_a_decoder_written_from_the_definition_agrees(value: bytes) -> None:
    try:
        expected = by_the_definition(value)
    except (struct.error, IndexError):
        with pytest.raises(ParseError):
            parse_measurement(value)
        return
    m = parse_measurement(value)
    stamp = m.stamp
    assert stamp is None or isinstance(stamp, DateTime)
    assert expected == {
        "words": (m.systolic.word, m.diastolic.word, m.mean.word),
        "stamp": stamp and tuple(stamp.fields().values()),
        "pulse": m.pulse and (m.pulse.word,),
        "user_id": None if m.user_id is None else (m.user_id,),
        "status": m.status and (m.status.raw,),
        "trailing": m.trailing,
        "kpa": m.unit is Unit.KPA,
    }
    assert build_measurement(m) == value


@given(measurements())
def test_what_is_built_is_read_back(m: Measurement) -> None:
    assert parse_measurement(build_measurement(m)) == m


@pytest.mark.parametrize("flags", range(32))
def test_every_combination_of_fields(flags: int) -> None:
    value = bytes([flags]) + FULL[1:7]
    value += FULL[7:14] * bool(flags & 2) + FULL[14:16] * bool(flags & 4)
    value += FULL[16:17] * bool(flags & 8) + FULL[17:] * bool(flags & 16)
    m = parse_measurement(value)
    assert m.unit is (Unit.KPA if flags & 1 else Unit.MMHG)
    assert (m.systolic.value, m.diastolic.value, m.mean.value) == (128, 84, 99)
    assert m.stamp == (DateTime(year=2026, month=3, day=9, hour=7, minute=41, second=5) if flags & 2 else None)
    assert m.pulse == (SFloat(66) if flags & 4 else None)
    assert m.user_id == (2 if flags & 8 else None)
    assert m.status == (Status(4) if flags & 16 else None)
    assert m.trailing == b""
    assert build_measurement(m) == value


@pytest.mark.parametrize("bits", [0x20, 0x40, 0x80, 0xE0])
def test_reserved_flags_are_ignored_and_kept(bits: int) -> None:
    plain, marked = parse_measurement(FULL), parse_measurement(bytes([FULL[0] | bits]) + FULL[1:])
    assert marked._replace(flags=plain.flags) == plain
    assert (plain.reserved_flags, marked.reserved_flags) == (0, bits)
    assert build_measurement(marked)[0] == FULL[0] | bits


@pytest.mark.parametrize("bit", range(6, 16))
def test_reserved_status_bits_are_ignored_and_kept(bit: int) -> None:
    value = FULL[:17] + (4 | 1 << bit).to_bytes(2, "little")
    status = parse_measurement(value).status
    assert status is not None
    assert (status.words(), status.raw, status.reserved) == (("irregular pulse",), 4 | 1 << bit, 1 << bit)
    assert build_measurement(parse_measurement(value)) == value


@pytest.mark.parametrize("more", [b"\0", b"\xff" * 3, bytes(range(200))])
def test_octets_beyond_are_kept(more: bytes) -> None:
    m = parse_measurement(FULL + more)
    assert m.trailing == more
    assert m._replace(trailing=b"") == parse_measurement(FULL)
    assert build_measurement(m) == FULL + more


FIELDS = [
    "flags",
    *["systolic"] * 2,
    *["diastolic"] * 2,
    *["mean"] * 2,
    *["stamp year"] * 2,
    "stamp month",
    "stamp day",
    "stamp hour",
    "stamp minute",
    "stamp second",
    *["pulse"] * 2,
    "user id",
    *["status"] * 2,
]


@pytest.mark.parametrize("length", range(19))
def test_cut_at_every_length(length: int) -> None:
    with pytest.raises(ParseError) as caught:
        parse_measurement(FULL[:length])
    assert (caught.value.field, caught.value.octet) == (FIELDS[length], length)


@pytest.mark.parametrize("why", Absence)
@pytest.mark.parametrize("place", ["systolic", "diastolic", "mean", "pulse"])
def test_each_word_for_no_value_in_each_place(place: str, why: Absence) -> None:
    m = parse_measurement(build_measurement(parse_measurement(FULL)._replace(**{place: SFloat.absent(why)})))
    absent = getattr(m, place)
    assert (absent.absence, absent.value) == (why, None)
    others = {"systolic", "diastolic", "mean", "pulse"} - {place}
    assert all(getattr(m, other).value is not None for other in others)
    assert not m.failed


def test_an_attempt_without_both_pressures_failed() -> None:
    assert measurement("NaN", "NaN").failed
    assert measurement("NaN", SFloat.absent(Absence.NRES), "NaN").failed
    assert not measurement("NaN", 80).failed


@pytest.mark.parametrize("user", [None, 0, 1, 254, 255])
def test_users_are_told_apart(user: int | None) -> None:
    assert parse_measurement(build_measurement(measurement(120, 80, user_id=user))).user_id == user


@pytest.mark.parametrize(
    ("stamp", "text", "naive"),
    [
        (DateTime(year=None, month=None, day=None, hour=18, minute=26, second=32), "--------T18:26:32", None),
        (DateTime(year=None, month=4, day=17, hour=20, minute=41, second=59), "---04-17T20:41:59", None),
        (DateTime(year=2026, month=None, day=1, hour=0, minute=0, second=0), "2026----01T00:00:00", None),
        (DateTime(year=2026, month=2, day=29, hour=0, minute=0, second=0), "2026-02-29T00:00:00", None),
        (DateTime(year=2026, month=13, day=1, hour=0, minute=0, second=0), "2026-13-01T00:00:00", None),
        (DateTime(year=2026, month=1, day=1, hour=24, minute=0, second=0), "2026-01-01T24:00:00", None),
        (DateTime(year=2026, month=1, day=1, hour=23, minute=59, second=60), "2026-01-01T23:59:60", None),
        (DateTime(year=1581, month=1, day=1, hour=0, minute=0, second=0), "1581-01-01T00:00:00", None),
        (DateTime(year=1582, month=1, day=1, hour=0, minute=0, second=0), "1582-01-01T00:00:00", datetime(1582, 1, 1)),
        (DateTime(year=65535, month=255, day=255, hour=255, minute=255, second=255), "65535-255-255T255:255:255", None),
        (
            DateTime(year=2024, month=2, day=29, hour=23, minute=59, second=59),
            "2024-02-29T23:59:59",
            datetime(2024, 2, 29, 23, 59, 59),
        ),
        (
            DateTime(year=9999, month=12, day=31, hour=0, minute=0, second=0),
            "9999-12-31T00:00:00",
            datetime(9999, 12, 31),
        ),
    ],
)
def test_stamps_that_cannot_be_survive_as_sent(stamp: DateTime, text: str, naive: datetime | None) -> None:
    m = parse_measurement(build_measurement(measurement(120, 80)._replace(stamp=stamp)))
    assert m.stamp == stamp
    assert str(stamp) == text
    assert (stamp.naive(), stamp.usable) == (naive, naive is not None)
    assert len(stamp.raw) == 7


def test_a_maker_keeps_precision_and_unit() -> None:
    when, status = (
        datetime(2026, 3, 9, 7, 41, 5, 999999, UTC),
        Status.of(irregular_pulse=True, pulse_range=PulseRange.ABOVE),
    )
    m = measurement("18.66", Decimal("12.0"), unit=Unit.KPA, stamp=when, pulse=66, user_id=0, status=status)
    assert (m.unit, str(m.systolic), str(m.diastolic)) == (Unit.KPA, "18.66", "12.0")
    assert m.mean.absence is Absence.NAN
    assert m.stamp == DateTime(year=2026, month=3, day=9, hour=7, minute=41, second=5)
    assert m.status is not None
    assert m.status.words() == ("irregular pulse", "pulse above range")
    assert parse_measurement(build_measurement(m)) == m


@pytest.mark.parametrize(
    "change",
    [
        {"stamp": EpochTime(0, 2000)},
        {"user_facing": EpochTime(0, 2000)},
        {"user_id": 256},
        {"user_id": -1},
        {"status": Status(0x10000)},
        {"stamp": DateTime(year=70000, month=1, day=1, hour=0, minute=0, second=0)},
    ],
)
def test_what_does_not_fit_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"cannot be built|seconds since an epoch"):
        build_measurement(measurement(120, 80)._replace(**change))
