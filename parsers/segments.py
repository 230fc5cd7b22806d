"""One segment of a stored record, 0x2B36, and the check that may close the record.

Sources: GATT Specification Supplement, "Blood Pressure Record" and its E2E-CRC clause; the CRC is the one
that Continuous Glucose Monitoring Service 1.0.1 §3.11 describes (CRC-16/MCRF4XX). That this service
uses the same parameters is from memory.
"""

import binascii
from dataclasses import dataclass

from construct import Int8ul, Int16ul, Struct

from parsers.declaration import Layout

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
