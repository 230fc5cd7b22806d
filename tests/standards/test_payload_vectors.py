"""Published payloads and calculated ones; the source stands beside each in fixtures/vectors."""

import json
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from parsers.characteristics import build, decode
from parsers.errors import ParseError
from parsers.json_values import as_json
from parsers.record import Reassembler, Record, crc16
from parsers.sfloat import Float, SFloat
from parsers.stamps import CurrentTime, DateTime
from parsers.words import describe

VECTORS = Path(__file__).parents[2] / "fixtures" / "vectors"


def load(name: str) -> list[dict[str, Any]]:
    vectors: list[dict[str, Any]] = json.loads((VECTORS / f"{name}.json").read_text("utf-8"))["vectors"]
    return vectors


def each(name: str) -> Any:
    return pytest.mark.parametrize("vector", load(name), ids=lambda v: v.get("hex") or v.get("word"))


def number(content: SFloat | Float | None) -> str | None:
    """As in the files: the decimal with its precision, or the name of the absence."""
    if content is None:
        return None
    return content.absence.value if content.absence else str(content.value)


def same(content: SFloat | Float | None, expected: str | None) -> bool:
    if content is None or expected is None or content.absence:
        return number(content) == expected
    return content.value is not None and content.value.as_tuple() == Decimal(expected).as_tuple()


def test_every_vector_names_its_source() -> None:
    files = sorted(VECTORS.glob("*.json"))
    assert len(files) >= 12
    for file in files:
        assert all(vector["source"] for vector in load(file.stem)), file


@each("sfloat")
def test_sfloat(vector: dict[str, Any]) -> None:
    word = int(vector["word"], 16)
    assert int.from_bytes(bytes.fromhex(vector["wire"]), "little") == word
    assert same(SFloat.from_word(word), vector["value"]), number(SFloat.from_word(word))


@each("float")
def test_float(vector: dict[str, Any]) -> None:
    word = int(vector["word"], 16)
    assert int.from_bytes(bytes.fromhex(vector["wire"]), "little") == word
    assert same(Float(word), vector["value"]), number(Float(word))


@pytest.mark.parametrize("vector", load("measurements") + load("cuff_pressures"), ids=lambda v: v["id"])
def test_pressures(vector: dict[str, Any]) -> None:
    uuid, value = int(vector["uuid"], 16), bytes.fromhex(vector["hex"])
    content: Any = decode(uuid, value)
    for name, expected in vector["expect"].items():
        if name in ("systolic", "diastolic", "mean", "pulse", "pressure"):
            assert same(getattr(content, name), expected), name
        elif name == "unused":
            assert expected == (content.unused and [number(place) for place in content.unused])
        elif name in ("stamp", "user_facing"):
            time = getattr(content, name)
            assert (None if time is None else str(time)) == expected, name
        elif name == "wall_clock":
            assert (content.user_facing or content.stamp).naive().isoformat() == expected
        elif name == "unit":
            assert content.unit.value == expected
        elif name == "status_raw":
            assert (None if content.status is None else content.status.raw) == expected
        elif name == "status":
            assert list(content.status.words()) == expected
        elif name == "pulse_range":
            assert content.status.pulse_range.name.lower() == expected
        else:
            assert getattr(content, name) == expected, name
    assert content.trailing == b""
    assert build(uuid, content) == value
    assert describe(content)
    json.dumps(as_json(content))


@each("refused")
def test_cut_values_are_refused_by_field_and_octet(vector: dict[str, Any]) -> None:
    with pytest.raises(ParseError) as caught:
        decode(int(vector["uuid"], 16), bytes.fromhex(vector["hex"]))
    assert (caught.value.field, caught.value.octet) == (vector["field"], vector["octet"])
    assert str(caught.value).startswith(vector["field"])
    assert "\n" not in str(caught.value)


@each("times")
def test_times(vector: dict[str, Any]) -> None:
    uuid, value = int(vector["uuid"], 16), bytes.fromhex(vector["hex"])
    content = decode(uuid, value)
    assert isinstance(content, DateTime | CurrentTime)
    naive = content.naive()
    assert (naive and naive.isoformat()) == vector["naive"]
    if isinstance(content, CurrentTime):
        assert (content.day_of_week, content.adjust_reason) == (vector["weekday"], vector["adjust_reason"])
    assert str(content.date_time if isinstance(content, CurrentTime) else content) == vector["text"]
    assert build(uuid, content) == value


@each("zones")
def test_zones(vector: dict[str, Any]) -> None:
    content: Any = decode(int(vector["uuid"], 16), bytes.fromhex(vector["hex"]))
    zone, saving = (
        None if minutes is None else timedelta(minutes=minutes)
        for minutes in (vector["zone_minutes"], vector["saving_minutes"])
    )
    assert (content.zone, content.daylight_saving) == (zone, saving)
    assert build(int(vector["uuid"], 16), content) == bytes.fromhex(vector["hex"])


@pytest.mark.parametrize("vector", load("control") + load("device"), ids=lambda v: f"{v['uuid']} {v['hex']}")
def test_control_points_and_device(vector: dict[str, Any]) -> None:
    uuid, value = int(vector["uuid"], 16), bytes.fromhex(vector["hex"])
    content: Any = decode(uuid, value)
    for name, expected in vector["expect"].items():
        found = getattr(content, name)
        found = list(found()) if name == "checks" else found.hex() if isinstance(found, bytes) else found
        assert found == expected, name
    assert build(uuid, content) == value


@each("crc")
def test_crc(vector: dict[str, Any]) -> None:
    assert crc16(bytes.fromhex(vector["hex"])) == int(vector["crc"], 16)


@each("segments")
def test_segments(vector: dict[str, Any]) -> None:
    value = bytes.fromhex(vector["hex"])
    content: Any = decode(0x2B36, value)
    found = as_json(content)
    assert found == {name: vector[name] for name in found}
    assert build(0x2B36, content) == value


@each("records")
def test_records(vector: dict[str, Any]) -> None:
    for crc in (vector["crc"], None):  # told by the feature bits, and not
        reassembler, events = Reassembler(crc), []
        for segment in vector["segments"]:
            events += reassembler.feed(bytes.fromhex(segment))
        assert events == [
            Record(
                sequence=vector["sequence"],
                uuid=int(vector["uuid"], 16),
                value=bytes.fromhex(vector["value"]),
                crc_ok=vector["crc_ok"],
                segments=len(vector["segments"]),
            )
        ]
    assert reassembler.end() == ()
