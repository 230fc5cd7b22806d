"""Hand-written logs in the journal: one row is one payload of a characteristic that no cuff has.

So that a written reading is kept, repeated, rebuilt and merged as every other.
"""

import json
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation

from parsers.errors import ParseError

HAND_CHARACTERISTIC = 0
"""Stands where a cuff's payload has its 16-bit UUID."""


@dataclass(frozen=True, slots=True)
class HandRow:
    """One written reading, mmHg and beats per minute. taken_at is aware."""

    taken_at: datetime
    systolic: Decimal | None  # None: a measurement that gave no value
    diastolic: Decimal | None
    pulse: Decimal | None = None
    person: str | None = None
    note: str | None = None

    def build(self) -> bytes:
        """The payload to append to the journal under the cuff 'hand'. The same row gives the same octets."""
        fields = {
            "taken_at": self.taken_at.isoformat(),
            "systolic": _text(self.systolic),
            "diastolic": _text(self.diastolic),
            "pulse": _text(self.pulse),
            "person": self.person,
            "note": self.note,
        }
        return json.dumps(fields, ensure_ascii=False, sort_keys=True).encode("utf-8", "replace")

    @classmethod
    def parse(cls, value: bytes) -> "HandRow":
        """Raises ParseError."""
        try:
            fields = json.loads(value)
            row = cls(
                taken_at=datetime.fromisoformat(fields["taken_at"]),
                systolic=_number(fields["systolic"]),
                diastolic=_number(fields["diastolic"]),
                pulse=_number(fields["pulse"]),
                person=fields["person"],
                note=fields["note"],
            )
        except (ValueError, KeyError, TypeError, InvalidOperation, RecursionError) as error:
            raise ParseError("hand-written row", 0, f"cannot be read ({error})") from error
        numbers = [one for one in (row.systolic, row.diastolic, row.pulse) if one is not None]
        if row.taken_at.tzinfo is None or not all(number.is_finite() for number in numbers):
            raise ParseError("hand-written row", 0, "needs a time with its offset, and numbers")
        return row


def _text(number: Decimal | None) -> str | None:
    return None if number is None else str(number)


def _number(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)
