"""The port: what the collector needs of a radio, and what a radio hands to the collector.

Three radios stand behind it: BlueZ (the system's stack), exclusive (an adapter of our own) and
virtual (cuffs in this process). The radio knows nothing of stores: it hands everything to a sink.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from collector.radio.learned import Learned, Manner, Unlearned
from collector.radio.outcome import VisitOutcome
from collector.radio.plan import VisitPlan
from parsers.uuids import Uuid

if TYPE_CHECKING:
    import asyncio  # with it come 140 modules, which whoever only looks at a value needs not


MEASUREMENT_CHARACTERISTICS = frozenset(
    {Uuid.BLOOD_PRESSURE_MEASUREMENT, Uuid.ENHANCED_MEASUREMENT, Uuid.BLOOD_PRESSURE_RECORD}
)
"""Characteristics whose values are records to be kept. Cuff pressures while inflating are not among them."""

NOBODY = ""
"""An address that no cuff has: whether a sink accepts it says whether new ones are welcome at all."""

UNPLACED = 0
"""In place of a characteristic: the value came from a handle of which nobody knows yet what stands there. It is kept
with its handle, and means something once a discovery has told."""


class RadioError(Exception):
    """Anything that went wrong on the air or below it; the text is one line for a person."""


class RadioUnavailable(RadioError):
    """No adapter, no D-Bus, Bluetooth off, no right: the service says so in one line and tries again."""


class LinkLost(RadioError):
    """The cuff is gone. Whatever arrived before stays."""


class RefusedByCuff(RadioError):
    """The cuff answered a request with an ATT error.

    code: the ATT error code (Core Specification Vol 3 Part F 3.4.1.1), or None where the stack hides it.
    """

    def __init__(self, text: str, code: int | None = None) -> None:
        super().__init__(text)
        self.code = code


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


class NotTaken(Exception):
    """The payload could not be made durable: do not confirm it. The text is one line for a person."""


class Sink(Protocol):
    """Takes what the radio hands over, synchronously; `take` returns when the payload is on disk."""

    def known(self) -> tuple[KnownCuff, ...]:
        """Every cuff met before that is not forgotten."""
        ...

    def awaited(self) -> frozenset[str]:
        """Cuffs that are to be visited although they may name no service: by the name they call themselves, or by an
        address under which none has come yet."""
        ...

    def accepts(self, cuff: str) -> bool:
        """Whether a cuff may be visited at all (configuration `accept`)."""
        ...

    def may_pair_anew(self, cuff: str) -> bool:
        """Whether a cuff that claims to have lost its bond may make a new one: it may be somebody else."""
        ...

    def open_visit(self, cuff: str, source: str, at: datetime, first: ReceivedPayload | None = None) -> int:
        """first: a record that came before; in the same commit as the visit. Raises NotTaken when it is not on disk."""
        ...

    def learn(self, visit: int, fact: Fact) -> None:
        """After all that came before it, and soon; `known` tells of it at once."""
        ...

    def take(self, arrival: ReceivedPayload, visit: int | None) -> None:
        """Commit one payload, then interpret it. Raises NotTaken when it is not on disk."""
        ...

    def came(self, visit: int, value: bytes, since: datetime) -> bool:
        """Whether these very octets arrived in this visit, since then."""
        ...

    def close_visit(self, visit: int, at: datetime, outcome: VisitOutcome) -> None: ...

    def tell(self, topic: str, text: str | None) -> None:
        """A lasting condition for `check` to show (topic 'adapter', 'd-bus', 'witness', …); None: over."""
        ...


class PairingPerson(Protocol):
    """Whoever stands at the cuff and can read its display, while `cuff add` runs."""

    def anywhere(self) -> bool:
        """Whether somebody waits at any cuff."""
        ...

    def present(self, cuff: str) -> bool:
        """Whether somebody waits at this one. Only then a radio says that it has a keyboard."""
        ...

    async def passkey(self, cuff: str) -> int | None:
        """The six digits on its display; None: nobody knows."""
        ...

    async def same_number(self, cuff: str, number: int) -> bool:
        """Whether its display shows this number, of up to six digits."""
        ...


class Link(Protocol):
    """A connected cuff, as the visit procedure sees it. Every coroutine may raise LinkLost."""

    cuff: str
    source: str
    name: str | None  # as advertised
    noticed: set[Manner]  # manners that the link itself came upon, such as NO_PAIRING
    table_changed: bool  # the cuff said that what was discovered before holds no more (Service Changed)
    visit: int | None  # the visit procedure says which visit this is; arrivals carry it from then on
    heard: int  # measurement values that reached the sink over this link so far
    heard_at: float  # time.monotonic() of the last of them; of the connection while there is none
    ended: VisitOutcome | None  # once down, as far as the stack tells

    @property
    def bonded(self) -> bool:
        """Whether a bond stands, as far as this link has shown; before that, as it was known."""
        ...

    @property
    def passing_address(self) -> bool:
        """Whether `cuff` is a private address that no bond explains."""
        ...

    @property
    def bond_missing_on(self) -> str | None:
        """On which side the bond was found gone, once it was: 'ours' or 'cuff'."""
        ...

    @property
    def bond_renewed(self) -> bool:
        """Whether the bond that stands was made in place of another, and no visit has told so yet."""
        ...

    async def secure(self) -> bool:
        """Encrypt with the bond that stands, or pair; says whether a bond stands. Raises RefusedByCuff.

        The visit calls it first for bonded cuffs only. For others a link secures itself when the cuff asks for it, or
        refuses a request for want of it, with the least that works.
        """
        ...

    async def resume(self, known: KnownCuff) -> tuple[Found, ...]:
        """Make `known.found` hold for this link, with one request at most that proves it; () where it does not."""
        ...

    async def discover(self, service: int | None = None) -> tuple[Found, ...]:
        """What one service offers (its 16-bit number), with as few requests as can be; None: everything of use."""
        ...

    async def read(self, found: Found) -> bytes: ...

    async def write(self, found: Found, value: bytes) -> None: ...

    async def subscribe(self, found: Found, visit: int) -> None:
        """From now on its values reach the sink (indicate before notify, by declared property).

        Raises RefusedByCuff where the cuff declares neither, or has no place to subscribe at.
        """
        ...

    async def ask(self, found: Found, request: bytes, late: Callable[[bytes], bool] = lambda _: False) -> bytes:
        """Write to a control point and return what it indicates in answer; that never reaches the sink.

        Subscribes to the control point's indications first. late: what answers an earlier request, and is passed over.
        Waits without limit: the caller sets one.
        """
        ...

    async def gone(self) -> None:
        """Returns when the link is down, for whatever reason."""
        ...

    async def hang_up(self) -> None: ...


class Radio(Protocol):
    """A radio runs until told to stop, visiting every cuff that speaks up."""

    source: str
    progress: float  # time.monotonic() of its last sign of life, for the watchdog

    async def run(self, sink: Sink, plan: VisitPlan, stop: "asyncio.Event") -> None:
        """Runs until `stop`; then finishes or gives up visits within 4 s. Raises RadioUnavailable."""
        ...
