"""What the store hands out: a reading as every other room knows it, and how to choose some."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import StrEnum

MMHG_PER_KPA = Decimal("7.500615758456564")
"""1 kPa = 1000/133.322387415 mmHg (UCUM defines mm[Hg] as 133.3220 Pa; the difference is 3 in a million)."""


def exact_mmhg(value: Decimal | None, unit: str) -> Decimal | None:
    """The pressure in mmHg, unrounded. unit: 'mmHg' or 'kPa'."""
    return value * MMHG_PER_KPA if value is not None and unit == "kPa" else value


class Basis(StrEnum):
    """How `taken_at` was come by."""

    CORRECTED = "cuff clock corrected"  # stamp moved by the difference of the two clocks, read in a visit
    ESTIMATED = "cuff clock estimated"  # stamp moved by an offset learned from live records
    CUFF = "cuff clock"  # stamp as sent, taken for local wall time
    ARRIVAL = "arrival"  # no usable stamp: when it reached us
    HAND = "hand-written"  # from a log somebody wrote


STRUCK_OUT = "struck out"
CORRECTED = "corrected"
HAND_COPY = "copy of a cuff's reading"
VOID_MARKS = frozenset({STRUCK_OUT, CORRECTED, HAND_COPY})
"""Marks of readings that count nowhere: a person said so, or they are there once already."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One measurement, each once. Pressures in `unit` as sent; None where the cuff obtained no value."""

    reading_id: str  # same payloads, same id: survives rebuild and merge
    cuff: str  # identity address, or 'hand' for hand-written logs
    slot: int | None  # the record's User ID: None when absent; 255 is 'unknown user', 0 a slot like others
    person: str | None
    systolic: Decimal | None
    diastolic: Decimal | None
    mean: Decimal | None
    unit: str  # 'mmHg' or 'kPa'
    pulse: Decimal | None  # beats per minute
    taken_at: datetime  # aware, in the station's zone
    taken_basis: Basis
    taken_uncertainty_s: float | None  # None: cannot be told
    received_at: datetime  # aware UTC, first arrival
    status: tuple[str, ...]  # words, empty when nothing was flagged
    status_raw: int | None  # the status word as sent
    features_known: bool  # were the feature bits read? Without them no flag may mean 'not assessed'
    assessed: tuple[str, ...]  # the checks this cuff can make at all, words as in `status`
    stamp: str | None  # the cuff's own stamp as ISO local time, unknown parts as '--'
    # 'implausible', 'failed', 'same stamp, other values', 'unencrypted', 'clock changed', 'autumn hour', …
    marks: tuple[str, ...]
    sightings: int  # how often the cuff (or another station) sent it
    payload: str  # hex of the first payload
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Selection:
    """Which readings. Bounds are aware; since is included, until is not. last keeps the newest N."""

    person: str | None = None
    cuff: str | None = None  # address or given name
    since: datetime | None = None
    until: datetime | None = None
    last: int | None = None
    unassigned: bool = False
