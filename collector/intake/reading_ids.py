"""Which reading a payload belongs to. Pure: the same content and circumstances give the same id
everywhere."""

from functools import lru_cache
from hashlib import sha256

MEASUREMENT_US = 30_000_000
"""No two measurements of one cuff end within this time: inflating and deflating alone takes as long
(common practice, no source)."""


def stamped_id(cuff: str, stamp: str, clock: str | None, content: str) -> str:
    """A reading with a stamp: same cuff, slot, stamp, values and status are the same reading whenever they
    come."""
    return _digest("stamped", cuff, stamp, clock or "", content)


def recorded_id(cuff: str, sequence: int, content: str) -> str:
    """A stored record without stamp: its number in the cuff's memory stands in for one."""
    return _digest("recorded", cuff, str(sequence), content)


def unstamped_id(cuff: str, content: str, first_payload: bytes) -> str:
    """A reading without stamp is known only by the first payload that brought it."""
    return _digest("unstamped", cuff, content, first_payload.hex())


def _digest(*parts: str) -> str:
    # Length before each part, so that no two lists of parts run together into one text.
    return sha256("".join([_before(len(part)) + part for part in parts]).encode()).hexdigest()[:16]


@lru_cache(maxsize=256)
def _before(length: int) -> str:
    return f"{length}:"
