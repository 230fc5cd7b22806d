"""What was flagged, what was looked for, and the difference between 'no' and 'not assessed'."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.status import CHECKS, Feature, PulseRange, Status, assessed, build_feature, parse_feature

# Masks: GATT Specification Supplement, "Blood Pressure Measurement" and "Blood Pressure Feature".
FLAGS = {
    "body movement": 0x0001,
    "cuff too loose": 0x0002,
    "irregular pulse": 0x0004,
    "pulse out of range": 0x0008,
    "improper position": 0x0020,
}
FEATURES = dict(zip(FLAGS, (0x0001, 0x0002, 0x0004, 0x0008, 0x0010), strict=True))


@given(st.integers(0, 0xFFFF))
def test_status_is_its_word(raw: int) -> None:
    status = Status(raw)
    made = Status.of(
        body_movement=status.body_movement,
        cuff_loose=status.cuff_loose,
        irregular_pulse=status.irregular_pulse,
        pulse_range=status.pulse_range,
        improper_position=status.improper_position,
    )
    assert made.raw == raw & 0x003F
    assert status.reserved | made.raw == raw


@pytest.mark.parametrize(
    ("raw", "pulse_range", "words"),
    [
        (0x00, PulseRange.WITHIN, ()),
        (0x08, PulseRange.ABOVE, ("pulse above range",)),
        (0x10, PulseRange.BELOW, ("pulse below range",)),
        (0x18, PulseRange.RESERVED, ()),
        (
            0x2F,
            PulseRange.ABOVE,
            ("body movement", "cuff too loose", "irregular pulse", "pulse above range", "improper position"),
        ),
    ],
)
def test_pulse_range_is_a_value(raw: int, pulse_range: PulseRange, words: tuple[str, ...]) -> None:
    assert (Status(raw).pulse_range, Status(raw).words()) == (pulse_range, words)


@pytest.mark.parametrize("word", CHECKS)
def test_no_and_not_assessed_are_told_apart(word: str) -> None:
    able, unable = Feature(FEATURES[word]), Feature(0xFFFF & ~FEATURES[word])
    fine, flagged = Status(0), Status(FLAGS[word])
    assert assessed(fine, able)[word] == "no"
    assert assessed(fine, unable)[word] == "not assessed"
    assert assessed(None, unable)[word] == "not assessed"
    assert assessed(None, able)[word] == "unknown"
    assert assessed(fine, None)[word] == "unknown"
    assert assessed(None, None)[word] == "unknown"
    # A cuff that flags what it says it cannot tell contradicts itself: the flag is the safer one to show.
    assert {assessed(flagged, feature)[word] for feature in (able, unable, None)} == {"yes"}
    assert tuple(assessed(fine, able)) == CHECKS
    assert able.checks() == (word,)


def test_a_reserved_pulse_range_is_unknown() -> None:
    assert assessed(Status(0x18), Feature(0xFF))["pulse out of range"] == "unknown"
    assert assessed(Status(0x18), Feature(0))["pulse out of range"] == "not assessed"


@given(st.binary(min_size=2, max_size=6))
def test_feature_is_read_and_built(value: bytes) -> None:
    feature = parse_feature(value)
    assert build_feature(feature) == value
    able = (feature.multiple_bonds, feature.e2e_crc, feature.user_data_service, feature.user_facing_time)
    assert sum(bit << place for place, bit in enumerate(able, 5)) == feature.raw & 0x01E0
