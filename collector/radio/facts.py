"""What a radio hands over, as values: payloads as they came, what a visit learned, how it ended."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from parsers.uuids import Uuid

MEASUREMENT_CHARACTERISTICS = frozenset(
    {Uuid.BLOOD_PRESSURE_MEASUREMENT, Uuid.ENHANCED_MEASUREMENT, Uuid.BLOOD_PRESSURE_RECORD}
)
"""Characteristics whose values are records to be kept. Cuff pressures while inflating are not among them."""


@dataclass(frozen=True, slots=True)
class Found:
    """One characteristic that discovery found on a cuff."""

    uuid: str  # 128-bit, lower case
    short: int | None  # the 16-bit form where there is one
    handle: int  # of the value, not of its declaration
    properties: frozenset[str]  # 'read', 'write', 'write-without-response', 'notify', 'indicate'
    service: int | None  # 16-bit UUID of the service it stands in
    configuration: int | None = None  # handle of its client configuration, once that was looked for


@dataclass(frozen=True, slots=True)
class ReceivedPayload:
    """One indication or notification, exactly as it came over the air.

    mark: names this very frame for ever (e.g. the kernel's receipt stamp), so that a frame which is
    seen again after a crash is recognised as the same frame and not as a second sighting by the cuff.
    """

    cuff: str  # identity address, upper case with colons
    characteristic: int  # UNPLACED: see there
    value: bytes
    arrived_at: datetime  # UTC
    source: str  # 'witness', 'standing subscription', 'exclusive', 'virtual'
    encrypted: bool | None = None
    mark: str | None = None
    handle: int | None = None  # of the value, where the radio knows it


@dataclass(frozen=True, slots=True)
class ValueRead:
    """A value that was read from the cuff in a visit: a clock, features, device information, battery."""

    characteristic: int
    value: bytes
    at: datetime  # UTC, the middle of request and answer
    round_trip_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ClockSet:
    """The cuff's clock was written. error: the ATT code of a refusal; 0x80 is success with reservations."""

    characteristic: int
    value: bytes
    at: datetime
    error: int | None = None


@dataclass(frozen=True, slots=True)
class Handles:
    """Where discovery found the measurement characteristics: value handle to 16-bit UUID."""

    handles: Mapping[int, int]


@dataclass(frozen=True, slots=True)
class Bond:
    """What is known of the bond: made, or found missing on one side ('ours', 'cuff').

    renewed: it was made in place of one that was lost, by the cuff or by another that bears its address.
    """

    bonded: bool
    missing_on: str | None = None
    renewed: bool = False


@dataclass(frozen=True, slots=True)
class Named:
    """The name the cuff advertises, as sent."""

    name: str


@dataclass(frozen=True, slots=True)
class Characteristics:
    """All that discovery found of use, to be remembered: the next visit need not ask again."""

    found: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class RecordsFetched:
    """Stored records (of one of the cuff's users, where it has several) were asked for, the oldest first.

    since: when. whole: every one has reached the sink; else it was broken off, and those after the last one are still
    to come. first: the first segment of the record that they begin with, where not all were asked for.
    """

    user: int | None
    since: datetime
    whole: bool
    first: bytes | None = None


@dataclass(frozen=True, slots=True)
class PassingAddress:
    """The cuff's address in this visit is a private one that no bond explains: next time it has another."""


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


Fact = (
    ValueRead
    | ClockSet
    | Handles
    | Characteristics
    | Bond
    | Named
    | PassingAddress
    | RecordsFetched
    | Learned
    | Unlearned
)


@dataclass(frozen=True, slots=True)
class KnownCuff:
    """What a radio needs to remember of a cuff between runs.

    described_at: when it last told what it is (features, device information). database_hash: of its table, where it
    offers that. undelivered: visits so far, where none of them ever brought a record; else 0.
    newest_records: by user, the first segment of the newest stored record, where every older one is here as well.
    """

    address: str
    bonded: bool
    handles: Mapping[int, int] = field(default_factory=dict)  # of the measurement characteristics alone
    found: tuple[Found, ...] = ()
    manners: frozenset[Learned] = frozenset()
    described_at: datetime | None = None
    database_hash: bytes | None = None
    undelivered: int = 0
    newest_records: Mapping[int | None, bytes] = field(default_factory=dict)


class Ending(StrEnum):
    """How a link, and with it a visit, came to its end."""

    CUFF_LEFT = "cuff left"
    LINK_LOST = "link lost"
    WE_LEFT = "we left"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class VisitOutcome:
    """An ending and, in a few plain words, why; as text it is 'cuff left' or 'failed: no answer'."""

    ending: Ending
    why: str = ""

    def __str__(self) -> str:
        return f"{self.ending}: {self.why}" if self.why else str(self.ending)

    @property
    def failed(self) -> bool:
        return self.ending is Ending.FAILED


CUFF_LEFT, LINK_LOST, WE_LEFT = (
    VisitOutcome(Ending.CUFF_LEFT),
    VisitOutcome(Ending.LINK_LOST),
    VisitOutcome(Ending.WE_LEFT),
)
