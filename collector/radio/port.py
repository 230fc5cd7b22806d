"""The port: what the collector needs of a radio, and what a radio hands to the collector.

Three radios stand behind it: BlueZ (the system's stack), exclusive (an adapter of our own) and
virtual (cuffs in this process). The radio knows nothing of stores: it hands everything to a sink.
"""

import asyncio
from collections.abc import Callable
from datetime import datetime
from typing import Protocol

from collector.radio.facts import Fact, Found, KnownCuff, Manner, ReceivedPayload, VisitOutcome
from collector.radio.plan import VisitPlan

NOBODY = ""
"""An address that no cuff has: whether a sink accepts it says whether new ones are welcome at all."""


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

    @property
    def ended(self) -> VisitOutcome | None:
        """Once down, as far as the stack tells."""
        ...

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

    async def run(self, sink: Sink, plan: VisitPlan, stop: asyncio.Event) -> None:
        """Runs until `stop`; then finishes or gives up visits within 4 s. Raises RadioUnavailable."""
        ...
