"""What is learned of how a cuff wants to be visited."""

from dataclasses import dataclass
from enum import StrEnum


class Manner(StrEnum):
    """What is learned of how a cuff wants to be visited. Acted on at its next visit; a person can see and reset it."""

    HANGS_UP = "hangs up at"  # detail: the step, left out from now on
    NO_ANSWER = "does not answer to"  # detail: the step, left out from now on
    CLOCK_FIRST = "sends only once its clock is set"
    NO_PAIRING = "hangs up when it is to pair"
    PASSKEY = "wants the digits on its display"
    CONSENT = "waits for a user's consent code"
    SLOW = "answers slowly"


@dataclass(frozen=True, slots=True)
class Learned:
    """A manner of one cuff. detail: the step it is about, in the visit's words: 'reading serial number'.

    sure: else only suspected, and acted upon when it shows again.
    """

    manner: Manner
    detail: str = ""
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Unlearned:
    """What was learned turns out not to hold (any more)."""

    manner: Manner
    detail: str = ""
