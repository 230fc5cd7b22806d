"""Stored records: both readings of the open question, the check, and everything that can go wrong."""

from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from parsers.measurement import build_enhanced, parse_enhanced
from parsers.record import LONGEST_RECORD, Gap, Reassembler, Record, build_segment, build_segments, crc16, parse_segment
from parsers.uuids import Uuid

ENHANCED = bytes.fromhex("7E 8000 5400 6300 01284131 4200 02 0400 11364131")
UUID = Uuid.ENHANCED_MEASUREMENT


def together(segments: list[bytes], crc: bool | None) -> list[Record | Gap]:
    reassembler = Reassembler(crc)
    events = [event for segment in segments for event in reassembler.feed(segment)]
    return [*events, *reassembler.end()]


def bitwise_crc(octets: bytes) -> int:
    """CRC-16/MCRF4XX by its definition: 0x1021 reflected, start 0xFFFF (its catalogued check is 0x6F91)."""
    crc = 0xFFFF
    for octet in octets:
        crc ^= octet
        for _ in range(8):
            crc = crc >> 1 ^ 0x8408 if crc & 1 else crc >> 1
    return crc


@given(st.binary(max_size=80))
@example(b"123456789")
def test_crc_by_its_definition(octets: bytes) -> None:
    assert crc16(octets) == bitwise_crc(octets)
    # Whoever runs the check over octets and check together gets 0.
    assert crc16(octets + crc16(octets).to_bytes(2, "little")) == 0


ways = st.fixed_dictionaries(
    {"size": st.integers(6, 40), "crc": st.booleans(), "repeat": st.booleans(), "counter": st.integers(0, 63)}
)


@given(st.binary(max_size=120), st.integers(0, 0xFFFF), ways)
def test_segments_become_the_record(value: bytes, sequence: int, way: dict[str, Any]) -> None:
    """Of a characteristic not known here, so that nothing but the segments themselves can tell."""
    segments = build_segments(sequence, 0x2AFF, value, **way)
    assert all(len(segment) <= way["size"] for segment in segments)
    (record,) = together(segments, way["crc"])
    assert isinstance(record, Record)
    assert (record.sequence, record.uuid, record.segments) == (sequence, 0x2AFF, len(segments))
    assert record.crc_ok is (True if way["crc"] else None)
    follow_on = [parse_segment(segment) for segment in segments[1:]]
    if way["repeat"] or not follow_on or not all(segment.repeats(sequence, 0x2AFF) for segment in follow_on):
        assert record.value == value


@given(st.integers(0, 127), st.binary(min_size=19, max_size=19), st.integers(0, 0xFFFF), ways)
def test_a_whole_value_needs_no_word_about_the_way(flags: int, rest: bytes, sequence: int, way: dict[str, Any]) -> None:
    value = bytes([flags]) + rest
    value = value[: len(value) - len(parse_enhanced(value).trailing)]
    (record,) = together(build_segments(sequence, UUID, value, **way), None)
    assert isinstance(record, Record)
    assert record.value == value


@pytest.mark.parametrize("crc", [True, False])
def test_fields_sent_again_never_become_content(crc: bool) -> None:
    """Two octets that announce four more: with the fields in between they would look whole."""
    cut = bytes.fromhex("0C00")
    (record,) = together(build_segments(0, 0x2B35, cut, size=6, crc=crc), crc)
    assert isinstance(record, Record)
    assert record.value == cut


@pytest.mark.parametrize("size", [6, 7, 11, 12, 19, 20, 22])
@pytest.mark.parametrize(("crc", "told"), [(True, True), (True, None), (False, False), (False, None)])
@pytest.mark.parametrize("repeat", [True, False])
def test_a_measurement_arrives_whatever_the_cuff_means(repeat: bool, crc: bool, told: bool | None, size: int) -> None:
    segments = build_segments(7, UUID, ENHANCED, size=size, crc=crc, repeat=repeat)
    (record,) = together(segments, told)
    assert isinstance(record, Record)
    assert (record.value, record.crc_ok) == (ENHANCED, True if crc else None)
    assert build_enhanced(parse_enhanced(record.value)) == ENHANCED


def test_a_right_check_by_chance_is_content_where_the_length_says_so() -> None:
    octets = bytes.fromhex("03 0700 342B 00 8000 5400")
    value = octets[5:] + crc16(octets).to_bytes(2, "little")  # seven octets, the mean being the check
    assert together([octets[:5] + value], None) == [Record(7, UUID, value, None)]
    longer = value[:-2] + bytes(3)
    check = crc16(octets[:5] + longer).to_bytes(2, "little")
    assert together([octets[:5] + longer + check], None) == [Record(7, UUID, longer, True)]


def test_a_check_is_content_where_the_cuff_has_none() -> None:
    (whole,) = build_segments(7, UUID, ENHANCED + b"more", size=40, crc=True)
    assert together([whole], False) == [Record(7, UUID, whole[5:], None)]


def test_only_one_segment_looks_as_if_the_fields_were_sent_again() -> None:
    segments = bytes.fromhex("01 0700 342B AA"), bytes.fromhex("04 0700 342B BB"), bytes.fromhex("0A CC")
    assert together(list(segments), False) == [
        Record(sequence=7, uuid=UUID, value=bytes.fromhex("AA 0700342B BB CC"), crc_ok=None, segments=3)
    ]


def test_a_check_over_the_joined_record_is_taken_too() -> None:
    head = bytes.fromhex("01 0700 342B")
    check = crc16(head + ENHANCED).to_bytes(2, "little")
    segments = [head + ENHANCED[:10], b"\x06" + ENHANCED[10:] + check]
    assert together(segments, True) == [Record(sequence=7, uuid=UUID, value=ENHANCED, crc_ok=True, segments=2)]


@pytest.mark.parametrize("place", range(27))
def test_a_wrong_octet_is_found_by_the_check_and_the_value_kept(place: int) -> None:
    (whole,) = build_segments(7, UUID, ENHANCED, size=40, crc=True)
    damaged = bytearray(whole)
    damaged[place] ^= 0x10
    events = together([bytes(damaged)], True)
    if place == 0:
        assert events == [Record(7, UUID, ENHANCED, False)]  # the header's counter, part of the check
    else:
        (record,) = events
        assert isinstance(record, Record)
        assert record.crc_ok is False
        assert len(record.value) == 20


def test_too_short_for_its_check() -> None:
    assert together([bytes.fromhex("03 0700 342B AA")], True) == [Gap(7, UUID, "too short for the check at its end", 1)]


def split(count: int, sequence: int = 7) -> list[bytes]:
    return build_segments(sequence, UUID, bytes(range(10 * count)), size=15)


def test_a_missing_segment_is_a_gap_told_once() -> None:
    segments = split(6)
    lost = together([*segments[:2], *segments[3:], *split(1, 8)], False)
    assert lost == [Gap(7, UUID, "segment 2 is missing, 3 came", 2), Record(8, UUID, bytes(range(10)), None)]


def test_a_missing_first_segment_is_told_once() -> None:
    assert together([*split(4)[1:], *split(1, 8)], False) == [
        Gap(None, None, "a segment came without the first one of its record", 1),
        Record(8, UUID, bytes(range(10)), None),
    ]


def test_a_new_record_ends_the_one_before() -> None:
    assert together([*split(3)[:2], *split(2, 8)], False) == [
        Gap(7, UUID, "a new record began before this one ended", 2),
        Record(sequence=8, uuid=UUID, value=bytes(range(20)), crc_ok=None, segments=2),
    ]


def test_the_link_ends_in_the_middle() -> None:
    assert together(split(3)[:2], False) == [Gap(7, UUID, "the link ended before the record did", 2)]


def test_an_unreadable_segment() -> None:
    first, *_ = split(3)
    assert together([first, b"\x03\x01"], False) == [
        Gap(7, UUID, "an unreadable segment broke it", 1),
        Gap(None, None, "unreadable segment: sequence: cut off at octet 2, the field takes octets 1 to 2", 1),
    ]
    assert together([b""], False) == [
        Gap(None, None, "unreadable segment: header: cut off at octet 0, the field takes octet 0", 1)
    ]


def test_the_same_segment_again_changes_nothing() -> None:
    first, second, third = split(3)
    whole = [Record(sequence=7, uuid=UUID, value=bytes(range(30)), crc_ok=None, segments=3)]
    assert together([first, first, second, second, third], False) == whole


def test_the_counter_runs_round() -> None:
    value = bytes(100) + bytes(range(100))
    segments = build_segments(1, 0x2A35, value, size=7, counter=60)
    assert len(segments) > 64
    assert together(segments, False) == [
        Record(sequence=1, uuid=0x2A35, value=value, crc_ok=None, segments=len(segments))
    ]


def test_an_endless_record_ends() -> None:
    reassembler, events = Reassembler(), []
    for place in range(100_000):
        events += reassembler.feed(bytes([(place % 64) << 2 | (place == 0)]) + bytes(19))
    assert events == [Gap(0, 0, f"longer than {LONGEST_RECORD} octets", LONGEST_RECORD // 20)]
    assert reassembler.end() == ()


@given(st.lists(st.binary(max_size=30), max_size=30), st.sampled_from([True, False, None]))
def test_any_octets_make_records_or_gaps(values: list[bytes], crc: bool | None) -> None:
    for event in together(values, crc):
        assert isinstance(event, Record | Gap)


@given(st.binary(min_size=5, max_size=30))
def test_segments_are_read_and_built(value: bytes) -> None:
    segment = parse_segment(value)
    assert build_segment(segment) == value
    assert (segment.sequence is None) is not segment.first


@pytest.mark.parametrize("wrong", [{"size": 5}, {"sequence": 65536}, {"uuid": -1}])
def test_what_does_not_fit_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"segment takes|cannot be built"):
        build_segments(**{"sequence": 0, "uuid": UUID, "value": b"abc"} | wrong)
