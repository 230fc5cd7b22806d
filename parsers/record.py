"""Stored records, 0x2B36: from segments to whole values and back.

It is open whether segments after the first send sequence number and UUID again: the characteristic's
table gives both fields a fixed size, an independent implementation reads them in first segments only.
Both are taken here: where every later segment begins with these very four octets, they are the fields.
Source: GATT Specification Supplement, "Blood Pressure Record".
"""

import binascii
from collections.abc import Callable
from dataclasses import dataclass

from construct import Int8ul, Int16ul, Struct

from parsers.declaration import Layout
from parsers.errors import ParseError
from parsers.intermediate import CuffPressure, parse_enhanced_intermediate, parse_intermediate
from parsers.measurement import Measurement, parse_enhanced, parse_measurement
from parsers.uuids import Uuid

SEGMENT = Struct("header" / Int8ul)
IDENTITY = Struct("sequence" / Int16ul, "uuid" / Int16ul)
FIRST_SEGMENT = Struct("header" / Int8ul, *IDENTITY.subcons)
_SEGMENT, _FIRST_SEGMENT, _IDENTITY = Layout(SEGMENT), Layout(FIRST_SEGMENT), Layout(IDENTITY)
IDENTITY_SIZE = IDENTITY.sizeof()
CRC_SIZE = 2

FIRST, LAST = 0x01, 0x02


@dataclass(frozen=True, slots=True)
class Segment:
    """header: bit 0 first segment, bit 1 last one, bits 2 to 7 a counter that runs from 0 to 63 and again.

    sequence, uuid: which record, and which characteristic it holds; None on a segment that is not the
    first, where it is open whether they are sent again. body: the octets after the header, and after
    sequence and UUID on a first segment.
    """

    header: int
    sequence: int | None
    uuid: int | None
    body: bytes

    @property
    def first(self) -> bool:
        return bool(self.header & FIRST)

    @property
    def last(self) -> bool:
        return bool(self.header & LAST)

    @property
    def counter(self) -> int:
        return self.header >> 2

    def repeats(self, sequence: int, uuid: int) -> bool:
        """Whether the body begins as a segment does that sends sequence and UUID again."""
        return self.body.startswith(identity(sequence, uuid))


def identity(sequence: int, uuid: int) -> bytes:
    """Sequence number and UUID as sent, four octets."""
    return _IDENTITY.build({"sequence": sequence, "uuid": uuid})


def parse_segment(value: bytes) -> Segment:
    """0x2B36: one octet at least, five on a first segment. Raises ParseError."""
    header, body = _SEGMENT.read(value)
    if not header & FIRST:
        return Segment(header, None, None, body)
    return Segment(*_FIRST_SEGMENT.read(value))


def build_segment(segment: Segment) -> bytes:
    """Raises ValueError when a first segment lacks sequence or UUID, or a number does not fit."""
    if not segment.first:
        return _SEGMENT.build({"header": segment.header}, segment.body)
    fields = {"header": segment.header, "sequence": segment.sequence, "uuid": segment.uuid}
    return _FIRST_SEGMENT.build(fields, segment.body)


# The reflected twin of the CRC that binascii has: same polynomial 0x1021, bits in the other order.
_REVERSED = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))


def crc16(octets: bytes) -> int:
    """Polynomial 0x1021, start 0xFFFF, reflected in and out, nothing added. Sent lowest octet first."""
    plain = binascii.crc_hqx(octets.translate(_REVERSED), 0xFFFF)
    return _REVERSED[plain & 0xFF] << 8 | _REVERSED[plain >> 8]


LONGEST_RECORD = 4096
"""Octets. The values that a record holds have at most 20; an endless record ends here."""

COUNTERS = 64

_CONTAINED: dict[int, Callable[[bytes], Measurement | CuffPressure]] = {
    Uuid.BLOOD_PRESSURE_MEASUREMENT: parse_measurement,
    Uuid.INTERMEDIATE_CUFF_PRESSURE: parse_intermediate,
    Uuid.ENHANCED_MEASUREMENT: parse_enhanced,
    Uuid.ENHANCED_INTERMEDIATE: parse_enhanced_intermediate,
}


@dataclass(frozen=True, slots=True)
class Record:
    """A whole record.

    sequence: its number, counted for each user from 0. uuid: the characteristic whose value this is.
    crc_ok: whether the check at its end was right; None where there was none. segments: how many it took.
    """

    sequence: int
    uuid: int
    value: bytes
    crc_ok: bool | None
    segments: int = 1


@dataclass(frozen=True, slots=True)
class Gap:
    """Segments that make no record: ask for it again by its sequence number, where that is known."""

    sequence: int | None
    uuid: int | None
    reason: str
    segments: int


@dataclass(frozen=True, slots=True)
class _Reading:
    """What of each segment is content. Parts are (head, content)."""

    parts: tuple[tuple[bytes, bytes], ...]

    @property
    def value(self) -> bytes:
        return b"".join(content for _, content in self.parts)

    def without_crc(self) -> "_Reading":
        parts, excess = list(self.parts), CRC_SIZE
        for place in range(len(parts) - 1, -1, -1):
            head, content = parts[place]
            here = min(excess, len(content))
            parts[place], excess = (head, content[: len(content) - here]), excess - here
        return _Reading(tuple(parts))

    def crcs(self) -> set[int]:
        """The check over all octets sent, as the format says it; and over the record as if sent in one."""
        sent = b"".join(head + content for head, content in self.parts)
        return {crc16(sent), crc16(self.parts[0][0] + self.value)}

    def exact(self, uuid: int) -> bool:
        """Whether the content has just the length that its own flags say."""
        parse = _CONTAINED.get(uuid)
        try:
            return parse is not None and not parse(self.value).trailing
        except ParseError:
            return False


class Reassembler:
    """Puts the segments of one link together, in the order they came.

    crc: whether the cuff closes records with a check (feature bit 6, E2E-CRC); None where that is not
    known: then a check is taken for one if it is right.
    """

    def __init__(self, crc: bool | None = None) -> None:
        self._crc = crc
        self._values: list[bytes] = []
        self._segments: list[Segment] = []
        self._skipping = False

    def feed(self, value: bytes) -> tuple[Record | Gap, ...]:
        """Takes one value of 0x2B36 and gives what it completes or breaks. Never raises."""
        value = bytes(value)
        if self._values and value == self._values[-1]:
            return ()  # the same segment again, counter and all
        try:
            segment = parse_segment(value)
        except ParseError as error:
            return (*self._give_up(), Gap(None, None, f"unreadable segment: {error}", 1))
        if segment.first:
            broken = self._give_up("a new record began before this one ended")
            self._skipping = False
        elif not self._segments:
            if self._skipping:
                return ()
            self._skipping = True
            return (Gap(None, None, "a segment came without the first one of its record", 1),)
        else:
            broken, expected = (), (self._segments[-1].counter + 1) % COUNTERS
            if segment.counter != expected:
                return self._give_up(f"segment {expected} is missing, {segment.counter} came")
            if sum(map(len, self._values)) + len(value) > LONGEST_RECORD:
                return self._give_up(f"longer than {LONGEST_RECORD} octets")
        self._values.append(value)
        self._segments.append(segment)
        return (*broken, self._whole()) if segment.last else broken

    def end(self) -> tuple[Gap, ...]:
        """The link is gone: what was begun stays unfinished."""
        return self._give_up("the link ended before the record did")

    def _give_up(self, reason: str = "an unreadable segment broke it") -> tuple[Gap, ...]:
        if not self._segments:
            return ()
        first, count = self._segments[0], len(self._segments)
        self._clear()
        self._skipping = True
        return (Gap(first.sequence, first.uuid, reason, count),)

    def _clear(self) -> None:
        self._values, self._segments = [], []

    def _whole(self) -> Record | Gap:
        first, count = self._segments[0], len(self._segments)
        sequence, uuid = first.sequence or 0, first.uuid or 0
        reading = self._reading(sequence, uuid)
        self._clear()
        checked = None
        if self._crc is not False and len(reading.value) >= CRC_SIZE:
            bare = reading.without_crc()
            right = int.from_bytes(reading.value[-CRC_SIZE:], "little") in bare.crcs()
            checked = Record(sequence=sequence, uuid=uuid, value=bare.value, crc_ok=right, segments=count)
        if self._crc:
            return checked or Gap(sequence, uuid, "too short for the check at its end", count)
        # Not told of a check: two octets that are right by chance would leave the content too short.
        if checked and checked.crc_ok and not reading.exact(uuid):
            return checked
        return Record(sequence=sequence, uuid=uuid, value=reading.value, crc_ok=None, segments=count)

    def _reading(self, sequence: int, uuid: int) -> _Reading:
        repeated = all(segment.repeats(sequence, uuid) for segment in self._segments[1:])
        later = 1 + IDENTITY_SIZE if repeated else 1
        heads = [1 + IDENTITY_SIZE] + [later] * (len(self._values) - 1)
        return _Reading(tuple((value[:head], value[head:]) for value, head in zip(self._values, heads, strict=True)))


def build_segments(
    sequence: int, uuid: int, value: bytes, *, size: int = 20, crc: bool = False, repeat: bool = True, counter: int = 0
) -> list[bytes]:
    """A record as a cuff sends it.

    size: octets of a segment at most, ATT_MTU − 3. crc: close it with a check. repeat: send sequence number
    and UUID in every segment. counter: of the first segment. Raises ValueError when `size` leaves no room.
    """
    head = 1 + IDENTITY_SIZE
    room = size - head if repeat else size - 1
    if size <= head:
        raise ValueError(f"a segment takes at least {head + 1} octets")
    content = value + bytes(CRC_SIZE) if crc else value
    chunks = [content[: size - head]]
    chunks += [content[start : start + room] for start in range(size - head, len(content), room)]
    segments = []
    for place, chunk in enumerate(chunks):
        header = (
            (counter + place) % COUNTERS << 2 | (FIRST if place == 0 else 0) | (LAST if place == len(chunks) - 1 else 0)
        )
        body = chunk if place == 0 or not repeat else identity(sequence, uuid) + chunk
        segments.append(build_segment(Segment(header, sequence, uuid, body)))
    if not crc:
        return segments
    sent = _Reading(
        tuple((segment[: len(segment) - len(chunk)], chunk) for segment, chunk in zip(segments, chunks, strict=True))
    ).without_crc()
    check = crc16(b"".join(head + content for head, content in sent.parts)).to_bytes(CRC_SIZE, "little")
    closed = []
    for segment, chunk, (_, kept) in zip(segments, chunks, sent.parts, strict=True):
        missing = len(chunk) - len(kept)
        closed.append(segment[: len(segment) - missing] + check[:missing])
        check = check[missing:]
    return closed
