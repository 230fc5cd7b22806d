"""One table for all characteristics: whatever the octets, a value or a ParseError."""

import json
import random
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.characteristics import FORMATS, Decoded, build, decode, find, names
from parsers.errors import ParseError
from parsers.json_values import as_json
from parsers.measurement import measurement
from parsers.record import Gap, Record
from parsers.stamps import EpochTime
from parsers.status import Feature, Status
from parsers.uuids import Uuid, full, short
from parsers.words import describe

FEATURES = (None, Feature(0), Feature(0xFFFF))


def taken(uuid: int, value: bytes) -> Decoded | ParseError:
    try:
        return decode(uuid, value)
    except ParseError as error:
        return error


def examine(uuid: int, value: bytes) -> None:
    """Everything that can be done with a value. Raises whatever is wrong."""
    content = taken(uuid, value)
    if isinstance(content, ParseError):
        assert 0 <= content.octet <= len(value)
        assert str(content).isprintable()
        return
    if not isinstance(content, str):
        assert build(uuid, content) == value
    for feature in FEATURES:
        for label, words in describe(content, feature):
            assert (label + words).isprintable()
    assert json.loads(json.dumps(as_json(content), allow_nan=False)) == as_json(content)


@pytest.mark.parametrize("uuid", FORMATS)
def test_hostile_octets(uuid: int) -> None:
    @given(st.binary(max_size=40))
    def harmless(value: bytes) -> None:
        examine(uuid, value)

    harmless()


def test_twenty_thousand_random_values() -> None:
    chance = random.Random(20260309)
    kinds = list(FORMATS)
    results = [taken(chance.choice(kinds), chance.randbytes(chance.randrange(28))) for _ in range(20_000)]
    refused = sum(isinstance(result, ParseError) for result in results)
    assert 2_000 < refused < 14_000


@pytest.mark.parametrize("uuid", FORMATS)
def test_every_octet_in_front_at_every_length(uuid: int) -> None:
    for first in range(256):
        for length in range(0, 28, 3):
            examine(uuid, (bytes([first]) + b"\xff" * 27)[:length])
            examine(uuid, (bytes([first]) + bytes(27))[:length])


def test_a_characteristic_that_is_not_known() -> None:
    with pytest.raises(ParseError, match="0x2a37 is not one that can be decoded"):
        decode(0x2A37, b"")
    with pytest.raises(ValueError, match="0x2a37"):
        build(0x2A37, "x")
    for work in (describe, as_json):
        with pytest.raises(TypeError):
            work(object())  # type: ignore[operator]


@pytest.mark.parametrize(
    ("text", "uuid"),
    [
        ("2a35", 0x2A35),
        ("0x2A35", 0x2A35),
        ("00002A35", 0x2A35),
        (full(0x2A35), 0x2A35),
        (full(0x2A35).upper(), 0x2A35),
        ("Blood Pressure Measurement", 0x2A35),
        ("current_time", 0x2A2B),
        ("battery-level", 0x2A19),
        (" 2b36 ", 0x2B36),
        ("2a37", None),
        ("1810", None),
        ("", None),
        ("blood", None),
        ("2a3", None),
        ("2a35-", None),
        ("00002a35-0000-1000-8000-00805f9b34fc", None),
    ],
)
def test_a_characteristic_is_found_by_number_or_name(text: str, uuid: int | None) -> None:
    assert find(text) == uuid


def test_names_are_unique() -> None:
    assert len(set(names().values())) == len(names()) == len(FORMATS)
    assert all(find(name) == uuid for uuid, name in names().items())


@given(st.integers(0, 0xFFFF))
def test_uuids_go_both_ways(uuid: int) -> None:
    assert short(full(uuid)) == uuid == short(f"{uuid:04x}") == short(f"0x{uuid:x}")


def test_a_long_uuid_is_refused() -> None:
    for wrong in (-1, 0x10000):
        with pytest.raises(ValueError, match="16-bit"):
            full(wrong)


def said(content: Any, feature: Feature | None = None) -> dict[str, str]:
    return dict(describe(content, feature))


def test_words_for_a_person() -> None:
    m = measurement("127.0", 79, pulse=66, user_id=255, status=0x0C)
    assert said(m, Feature(0x000C)) == {
        "systolic": "127.0 mmHg",
        "diastolic": "79 mmHg",
        "mean arterial pressure": "none: no valid result",
        "pulse": "66 beats/min",
        "slot (User ID)": "255, the cuff does not know who",
        "body movement": "not assessed",
        "cuff too loose": "not assessed",
        "irregular pulse": "yes",
        "pulse out of range": "yes, above",
        "improper position": "not assessed",
    }
    assert "slot (User ID)" not in said(measurement(120, 80))
    assert said(measurement(120, 80, user_id=0))["slot (User ID)"] == "0"
    assert "attempt" in said(measurement("NaN", "NaN"))["note"]
    assert said(Status(0x58))["pulse range"] == "reserved value, ignored"
    consent = decode(Uuid.USER_CONTROL_POINT, bytes.fromhex("0201D204"))
    assert said(consent)["consent code"] == "sent, not shown"
    assert "1234" not in json.dumps(as_json(consent))


def test_json_of_a_measurement() -> None:
    """Whole, so that nothing in it can change unnoticed."""
    assert as_json(measurement("127.0", 79, pulse="NaN", user_id=0, status=4, stamp=datetime(2031, 3, 4, 7, 30))) == {
        "systolic": 127.0,
        "diastolic": 79,
        "mean": None,
        "unit": "mmHg",
        "pulse": None,
        "stamp": "2031-03-04T07:30:00",
        "user_facing_time": None,
        "slot": 0,
        "status": ["irregular pulse"],
        "status_raw": 4,
        "pulse_range": "within",
        "failed": False,
        "absent": {"mean": "nan", "pulse": "nan"},
        "words": {"systolic": "0xf4f6", "diastolic": "0x004f", "mean": "0x07ff", "pulse": "0x07ff"},
        "flags": 30,
        "trailing": "",
    }
    assert as_json(measurement(120, 80))["stamp"] is None


@pytest.mark.parametrize(
    "content",
    [
        Record(sequence=7, uuid=0x2B34, value=b"\1\2", crc_ok=False, segments=2),
        Gap(None, None, "why", 1),
        Gap(7, 0x2B34, "why", 1),
        EpochTime(5, 2000),
        Status(0xFFFF),
    ],
)
def test_what_is_not_a_characteristic_itself_is_told_too(content: Any) -> None:
    assert describe(content)
    assert json.loads(json.dumps(as_json(content))) == as_json(content)
