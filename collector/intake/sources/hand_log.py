"""Hand-written logs in the journal: one row is one payload of a characteristic that no cuff has.

So that a written reading is kept, repeated, rebuilt and merged as every other.
"""

import json
import re
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation

from parsers.errors import ParseError

HAND_CHARACTERISTIC = 0
"""Stands where a cuff's payload has its 16-bit UUID."""


REFERENCE = re.compile("[0-9a-f]{32}")
"""How a person is referred to in a payload: by a random number."""


@dataclass(frozen=True, slots=True)
class HandRow:
    """One written reading, mmHg and beats per minute. taken_at is aware. person: `people.reference`, never a name."""

    taken_at: datetime
    systolic: Decimal
    diastolic: Decimal
    pulse: Decimal | None = None
    person: str | None = None
    note: str | None = None

    def build(self) -> bytes:
        """The payload to append to the journal under the cuff 'hand'. The same row gives the same octets."""
        if self.person is not None and not REFERENCE.fullmatch(self.person):
            raise ValueError("a payload names nobody: give the person's reference")
        fields = {
            "taken_at": self.taken_at.isoformat(),
            "systolic": str(self.systolic),
            "diastolic": str(self.diastolic),
            "pulse": None if self.pulse is None else str(self.pulse),
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
                systolic=Decimal(fields["systolic"]),
                diastolic=Decimal(fields["diastolic"]),
                pulse=None if fields["pulse"] is None else Decimal(fields["pulse"]),
                person=fields["person"],
                note=fields["note"],
            )
        except (ValueError, KeyError, TypeError, InvalidOperation, RecursionError) as error:
            raise ParseError("hand-written row", 0, f"cannot be read ({error})") from error
        numbers = [row.systolic, row.diastolic, *([] if row.pulse is None else [row.pulse])]
        if row.taken_at.tzinfo is None or not all(number.is_finite() for number in numbers):
            raise ParseError("hand-written row", 0, "needs a time with its offset, and numbers")
        return row


def without_name(value: bytes) -> bytes:
    """A payload as another, older store may have it, without the name of a person."""
    try:
        fields = json.loads(value)
        if REFERENCE.fullmatch(fields["person"] or "0" * 32):
            return value
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return value
    return json.dumps(fields | {"person": None}, ensure_ascii=False, sort_keys=True).encode("utf-8", "replace")
