"""What states a loan cuff goes through, and what has to be so before it may be lent again.

Source: loan practice as published by the American Medical Association and the American Heart Association for their
self-measured blood pressure programmes; the order and the names of the states are this project's.
"""

from dataclasses import dataclass
from enum import StrEnum


class State(StrEnum):
    """Where a cuff of the lending stock is. Only an available one may be lent."""

    AVAILABLE = "available"
    ON_LOAN = "on loan"
    RETURNED = "returned"  # back, not yet looked after
    CLEANING = "cleaning"
    CHECK_DUE = "check due"
    QUARANTINE = "quarantine"
    LOST = "lost"
    RETIRED = "retired"


class Step(StrEnum):
    """How far a loan has come."""

    OUT = "out"
    WAITING = "waiting"  # back on the table, its memory not downloaded yet
    DOWNLOADED = "downloaded"
    SAVED = "saved"  # report and export written and read back
    CLOSED = "closed"


MARKS = (State.QUARANTINE, State.LOST, State.CHECK_DUE, State.CLEANING, State.RETIRED)
"""What a person may mark a cuff as; it becomes available by being taken back alone."""


@dataclass(frozen=True, slots=True)
class Check:
    """Something a person has to look at. otherwise: the state of a cuff of which it is not so."""

    key: str
    question: str
    otherwise: State


CHECKS = (
    Check("whole", "Are cuff, bladder, tube, fastening, display and battery undamaged?", State.QUARANTINE),
    Check("clean", "Are cuff and housing cleaned and disinfected as their maker says, and dry?", State.CLEANING),
    Check("empty", "Are memory and pairing erased on the cuff, and does its memory read empty?", State.RETURNED),
    Check("set", "Are its date, time and user slot set, and the batteries good?", State.RETURNED),
    Check("accurate", "Is its accuracy check still valid, with no fall and no odd reading since?", State.CHECK_DUE),
)
"""In this order: nothing is erased before everything is saved, and nothing is cleaned that is broken."""


def why_not_lent(state: State | None) -> str | None:
    """Why a cuff in this state may not be lent, or None when it may."""
    if state is State.AVAILABLE:
        return None
    if state is None:
        return "it is not in the lending stock; `loan back` takes it in, with all the checks"
    if state is State.ON_LOAN:
        return "it is on loan already"
    return f"it is marked '{state}'; `loan back` goes through what is left to do"
