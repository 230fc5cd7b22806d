"""Hand-written logs in the journal: one row is one payload of a characteristic that no cuff has.

So that a written reading is kept, repeated, rebuilt and merged as every other.
"""

import hashlib
import json
from datetime import UTC, datetime
from decimal import Decimal
from functools import lru_cache
from typing import NamedTuple

from collector.store.acceptable import number_problem, text_problem, time_problem
from parsers.errors import ParseError

HAND_CHARACTERISTIC = 0
"""Stands where a cuff's payload has its 16-bit UUID."""
_JSON = json.JSONEncoder(ensure_ascii=False, sort_keys=True)


class HandRow(NamedTuple):
    """One written reading, mmHg and beats per minute. taken_at is aware.

    Its instant and its pressures make it what it is: written again with another offset, with a pulse, with a person or
    a note it is the same. twin: tells it from another person's of the same minute and values, and what corrects a
    reading from a line that says the same (`correction_twin`). person: whose, which is a claim and no part of the
    payload. says_offset: whether its line says by which clock it was taken, no part either.
    as_was: of what corrects another: its time is that of the other, wherever a clock that is put right moves that.
    of: the uid, hex, of a payload of what it corrects, which has another id once its cuff has another address.
    """

    taken_at: datetime
    systolic: Decimal | None  # None: a measurement that gave no value
    diastolic: Decimal | None
    pulse: Decimal | None = None
    person: str | None = None
    note: str | None = None
    twin: int = 0
    says_offset: bool = False
    as_was: bool = False
    of: str | None = None

    @property
    def identity(self) -> str:
        """Equal for what is one reading, beside the instant."""
        twin = f"|{self.twin}" if self.twin else ""
        return f"hand|{plain_number(self.systolic)}|{plain_number(self.diastolic)}{twin}"

    @property
    def stamp(self) -> str:
        return self.taken_at.astimezone(UTC).isoformat()

    def build(self) -> bytes:
        """The payload to append to the journal under the cuff 'hand'. The same row gives the same octets."""
        fields: dict[str, str | bool | None] = {
            "taken_at": self.taken_at.isoformat(),
            "systolic": _text(self.systolic),
            "diastolic": _text(self.diastolic),
            "pulse": _text(self.pulse),
            "note": self.note,
        }
        if self.twin:
            fields["twin"] = str(self.twin)
        if self.as_was:
            fields["as_was"] = True
        if self.of:
            fields["of"] = self.of
        return _JSON.encode(fields).encode("utf-8", "replace")

    @classmethod
    def parse(cls, value: bytes) -> "HandRow":
        """Raises ParseError."""
        try:
            fields = json.loads(value.decode())  # of octets it guesses the encoding, for longer than it reads them
            row = cls(
                taken_at=datetime.fromisoformat(fields["taken_at"]),
                systolic=_number(fields["systolic"]),
                diastolic=_number(fields["diastolic"]),
                pulse=_number(fields["pulse"]),
                note=fields["note"],
                twin=int(fields.get("twin", 0)),
                as_was=fields.get("as_was") is True,
                of=fields.get("of"),
            )
        except (ValueError, KeyError, TypeError, ArithmeticError, RecursionError) as error:
            raise ParseError("hand-written row", 0, f"cannot be read ({error})") from error
        problem = time_problem(row.taken_at) or (None if row.note is None else text_problem(row.note))
        if problem:
            raise ParseError("hand-written row", 0, f"a value {problem}")
        return row


def correction_twin(note: str | None, pulse: Decimal | None) -> int:
    """The number of what corrects the reading that the note names: beyond those of people, and another for another
    pulse, as two stations may put one reading right otherwise, or somebody may have written down the very same."""
    said = f"{note}|{plain_number(pulse)}"
    return PEOPLE_AT_MOST + int.from_bytes(hashlib.sha256(said.encode()).digest()[:6])


PEOPLE_AT_MOST = 100
"""So many people hardly measure the same in one minute."""


def without_name(value: bytes) -> bytes:
    """A payload as another, older store may have it, without the name of a person."""
    try:
        fields = json.loads(value)
        if "person" not in fields or "systolic" not in fields:
            return value
    except (ValueError, TypeError, RecursionError):
        return value
    del fields["person"]
    return _JSON.encode(fields).encode("utf-8", "replace")


@lru_cache(maxsize=4096)
def plain_number(number: Decimal | None) -> str:
    """Equal for equal numbers whatever their precision: 120 and 120.0 are one value."""
    return "None" if number is None else format(number.normalize(), "f") if number else "0"


def _text(number: Decimal | None) -> str | None:
    return None if number is None else str(number)


@lru_cache(maxsize=4096)
def _number(text: str | None) -> Decimal | None:
    """Raises ValueError and what Decimal raises."""
    if text is None:
        return None
    number = Decimal(text)
    if problem := number_problem(number):
        raise ValueError(f"a value {problem}")
    return number
