"""What a cuff says about a measurement, and what it is able to say.

Sources: GATT Specification Supplement, "Blood Pressure Measurement" (Measurement Status) and "Blood
Pressure Feature". That a status bit means something only where its feature bit is set is the service's rule.
"""

from dataclasses import dataclass
from enum import Enum
from functools import lru_cache

from construct import Int16ul, Struct

from parsers.declaration import Layout

FEATURE = Struct("features" / Int16ul)
_FEATURE = Layout(FEATURE)

CHECKS = ("body movement", "cuff too loose", "irregular pulse", "pulse out of range", "improper position")
"""What a cuff can look out for, in the order of the feature bits 0 to 4."""


class PulseRange(Enum):
    """The pulse against the limits of the cuff, bits 3 and 4 of the status."""

    WITHIN = 0
    ABOVE = 1
    BELOW = 2
    RESERVED = 3


@dataclass(frozen=True, slots=True)
class Status:
    """Measurement Status: `raw` is the word as sent, reserved bits included."""

    raw: int

    @classmethod
    def of(
        cls,
        *,
        body_movement: bool = False,
        cuff_loose: bool = False,
        irregular_pulse: bool = False,
        pulse_range: PulseRange = PulseRange.WITHIN,
        improper_position: bool = False,
    ) -> "Status":
        return cls(
            body_movement | cuff_loose << 1 | irregular_pulse << 2 | pulse_range.value << 3 | improper_position << 5
        )

    @staticmethod
    def from_word(raw: int) -> "Status":
        """As `Status(raw)`, remembered."""
        return _status(raw)

    @property
    def body_movement(self) -> bool:
        return bool(self.raw & 0x01)

    @property
    def cuff_loose(self) -> bool:
        return bool(self.raw & 0x02)

    @property
    def irregular_pulse(self) -> bool:
        return bool(self.raw & 0x04)

    @property
    def pulse_range(self) -> PulseRange:
        return PulseRange(self.raw >> 3 & 3)

    @property
    def improper_position(self) -> bool:
        return bool(self.raw & 0x20)

    @property
    def reserved(self) -> int:
        """The bits whose meaning is not defined, in place."""
        return self.raw & 0xFFC0

    def words(self) -> tuple[str, ...]:
        """What was flagged, in the order of the bits. A reserved pulse range says nothing."""
        return _words(self)


@lru_cache(maxsize=1024)
def _status(raw: int) -> Status:
    return Status(raw)


@lru_cache(maxsize=1024)
def _words(status: Status) -> tuple[str, ...]:
    pulse = {PulseRange.ABOVE: "pulse above range", PulseRange.BELOW: "pulse below range"}
    return tuple(
        word
        for word in (
            status.body_movement and "body movement",
            status.cuff_loose and "cuff too loose",
            status.irregular_pulse and "irregular pulse",
            pulse.get(status.pulse_range),
            status.improper_position and "improper position",
        )
        if word
    )


@dataclass(frozen=True, slots=True)
class Feature:
    """Blood Pressure Feature: `raw` is the word as sent, reserved bits 9 to 15 included."""

    raw: int
    trailing: bytes = b""

    @property
    def multiple_bonds(self) -> bool:
        return bool(self.raw & 0x0020)

    @property
    def e2e_crc(self) -> bool:
        return bool(self.raw & 0x0040)

    @property
    def user_data_service(self) -> bool:
        return bool(self.raw & 0x0080)

    @property
    def user_facing_time(self) -> bool:
        return bool(self.raw & 0x0100)

    def checks(self) -> tuple[str, ...]:
        """What this cuff looks out for, of CHECKS."""
        return _checks(self.raw)


@lru_cache(maxsize=1024)
def _checks(raw: int) -> tuple[str, ...]:
    return tuple(word for bit, word in enumerate(CHECKS) if raw >> bit & 1)


def parse_feature(value: bytes) -> Feature:
    """0x2A49, 2 octets. Raises ParseError."""
    raw, trailing = _FEATURE.read(value)
    return Feature(raw, trailing)


def build_feature(feature: Feature) -> bytes:
    """Raises ValueError when `raw` is more than 16 bits."""
    return _FEATURE.build({"features": feature.raw}, feature.trailing)


def assessed(status: Status | None, feature: Feature | None) -> dict[str, str]:
    """For each of CHECKS what the cuff found: 'yes', 'no', 'not assessed' or 'unknown'.

    'yes': flagged, whatever the feature bits say. 'no': looked for and not found. 'not assessed': this
    cuff cannot tell. 'unknown': it can but did not say here, or what it can do was never read.
    """
    return {word: _verdict(word, status, feature) for word in CHECKS}


def _flagged(word: str, status: Status) -> bool:
    if word == "pulse out of range":
        return status.pulse_range in (PulseRange.ABOVE, PulseRange.BELOW)
    return word in status.words()


def _verdict(word: str, status: Status | None, feature: Feature | None) -> str:
    if status is not None and _flagged(word, status):
        return "yes"
    if feature is not None and word not in feature.checks():
        return "not assessed"
    if feature is None or status is None:
        return "unknown"
    if word == "pulse out of range" and status.pulse_range is PulseRange.RESERVED:
        return "unknown"
    return "no"
