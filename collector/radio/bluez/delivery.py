"""Takes every record to the sink, whoever delivered it: the witness's Audience, and where D-Bus values arrive.

Works without D-Bus, so that what waits in the kernel is on disk before bluetoothd has even been asked for.
"""

import logging
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Protocol

from collector.radio.bluez.monitor.crosscheck import CrossCheck
from collector.radio.bluez.monitor.links import ReceivedValue
from collector.radio.bluez.monitor.witness import Witness
from collector.radio.errors import NotTaken
from collector.radio.facts import (
    CUFF_LEFT,
    LINK_LOST,
    WE_LEFT,
    Bond,
    Ending,
    Fact,
    KnownCuff,
    ReceivedPayload,
    VisitOutcome,
)
from collector.radio.port import Sink
from parsers.uuids import UNPLACED


class EarlyVisits:
    """Implements Sink over another; `source` names where this radio's payloads come from."""

    def __init__(self, sink: Sink, source: str) -> None:
        self.sink, self.source = sink, source
        self._visits: dict[str, int] = {}
        self._taken_over: set[int] = set()

    def take_early(self, arrival: ReceivedPayload) -> None:
        """Take a record into its cuff's visit, which it begins where there is none. Raises NotTaken."""
        number = self._visits.get(arrival.cuff)
        if number is None:
            self._visits[arrival.cuff] = self.sink.open_visit(arrival.cuff, self.source, datetime.now(UTC), arrival)
        else:
            self.sink.take(arrival, number)

    def abandon(self, cuff: str, outcome: VisitOutcome) -> None:
        """The link is down: close a visit that the procedure did not take over."""
        number = self._visits.get(cuff)
        if number is not None and number not in self._taken_over:
            del self._visits[cuff]
            self.sink.close_visit(number, datetime.now(UTC), outcome)

    def doubt(self, cuff: str) -> None:
        """Whoever brought the records of the link that is up had not the cuff's bond."""
        if cuff in self._visits:
            self.sink.learn(self._visits[cuff], Bond(True, "cuff"))

    # -- Sink ----------------------------------------------------------------------------------------

    def known(self) -> tuple[KnownCuff, ...]:
        return self.sink.known()

    def awaited(self) -> frozenset[str]:
        return self.sink.awaited()

    def accepts(self, cuff: str) -> bool:
        return self.sink.accepts(cuff)

    def may_pair_anew(self, cuff: str) -> bool:
        return self.sink.may_pair_anew(cuff)

    def open_visit(self, cuff: str, source: str, at: datetime, first: ReceivedPayload | None = None) -> int:
        number = self._visits.get(cuff)
        if number is None:
            number = self._visits[cuff] = self.sink.open_visit(cuff, source, at, first)
        self._taken_over.add(number)
        return number

    def learn(self, visit: int, fact: Fact) -> None:
        self.sink.learn(visit, fact)

    def take(self, arrival: ReceivedPayload, visit: int | None) -> None:
        self.sink.take(arrival, visit)

    def came(self, visit: int, value: bytes, since: datetime) -> bool:
        return self.sink.came(visit, value, since)

    def close_visit(self, visit: int, at: datetime, outcome: VisitOutcome) -> None:
        self._taken_over.discard(visit)
        for cuff in [cuff for cuff, number in self._visits.items() if number == visit]:
            del self._visits[cuff]
        self.sink.close_visit(visit, at, outcome)

    def tell(self, topic: str, text: str | None) -> None:
        self.sink.tell(topic, text)


log = logging.getLogger("quietcuff.radio")

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ENDINGS = {
    0x13: CUFF_LEFT,
    0x14: CUFF_LEFT,
    0x15: CUFF_LEFT,
    0x16: WE_LEFT,
    0x08: LINK_LOST,
    0x05: VisitOutcome(Ending.FAILED, "the cuff and this computer no longer share a bond"),
    0x06: VisitOutcome(Ending.FAILED, "the cuff has forgotten this computer"),
    0x3D: VisitOutcome(Ending.FAILED, "encryption did not match"),
}
"""HCI error codes of a disconnection (Core Specification Vol 1 Part F) in the words of a visit's outcome."""


class OpenLink(Protocol):
    """What the delivery needs of a link: to count its records, and to say that it is over."""

    cuff: str

    @property
    def ended(self) -> VisitOutcome | None: ...

    def note_record(self) -> None: ...

    def lost(self, why: VisitOutcome | None = None) -> None: ...


class Delivery:
    """key_was_missing: called with the address of a known cuff at which somebody came who had not its bond."""

    def __init__(self, sink: EarlyVisits) -> None:
        self.sink = sink
        self.witness: Witness | None = None
        self.known: dict[str, KnownCuff] = {}
        self.awaited: frozenset[str] = frozenset()
        self.links: dict[str, OpenLink] = {}  # by device path
        self.heard_at = 0.0  # time.monotonic() of the last record of whomever
        self.key_was_missing: Callable[[str], None] = lambda _: None
        self._crosscheck = CrossCheck()
        self._early: Counter[str] = Counter()  # records before there was a link to count them
        self._endings: dict[str, VisitOutcome] = {}
        self.refresh()

    def refresh(self) -> None:
        """Ask the sink again whom it knows."""
        self.known = {cuff.address: cuff for cuff in self.sink.known()}
        self.awaited = self.sink.awaited()
        if self.witness is not None:
            self.witness.record_handles.update(tuple(self.known.values()))
            self.witness.refresh()

    def early(self, cuff: str) -> int:
        """How many records of the link that is up came before anybody counted; forgets them."""
        return self._early.pop(cuff, 0)

    def how_it_ended(self, cuff: str) -> VisitOutcome:
        """As far as the kernel told."""
        if self.witness is not None:
            self.witness.drain()
        return self._endings.pop(cuff, CUFF_LEFT)

    def compare(self) -> None:
        """What D-Bus showed and the witness did not is taken from D-Bus, and told: it must not happen."""
        if self.witness is None:
            return
        self.witness.drain()
        missed = self._crosscheck.missed()
        for cuff, number, value in missed:
            with suppress(NotTaken):
                self._take(cuff, number, value, "standing subscription")
        if missed:
            self.sink.tell(
                "witness",
                f"{len(missed)} record(s) of {missed[0][0]} reached us over D-Bus and not "
                f"through the witness ({datetime.now(UTC):%Y-%m-%d %H:%M} UTC)",
            )

    def bus_value(self, cuff: str, number: int, value: bytes) -> None:
        """A subscribed characteristic's value: a record where there is no witness, else something to count."""
        if self.witness is not None:
            self._crosscheck.on_bus(cuff, number, value)
        elif self.sink.accepts(cuff):
            try:
                self._take(cuff, number, value, self.sink.source)
                self._heard(cuff)
            except NotTaken as error:
                log.error("a record of %s is lost: %s", cuff, error)

    def _take(self, cuff: str, number: int, value: bytes, source: str) -> None:
        self.sink.take_early(
            ReceivedPayload(cuff=cuff, characteristic=number, value=value, arrived_at=datetime.now(UTC), source=source)
        )

    def _heard(self, cuff: str) -> None:
        self.heard_at = time.monotonic()
        for link in self.links.values():
            if link.cuff == cuff and not link.ended:
                link.note_record()
                return
        self._early[cuff] += 1

    # -- what the witness sees -----------------------------------------------------------------------

    def record(self, address: str, characteristic: int, value: ReceivedValue, mark: str) -> None:
        if not self.sink.accepts(address):
            return
        read = time.time_ns()
        self.sink.take_early(_arrival(address, characteristic, value, mark))
        log.debug(
            "%s: on disk %.1f ms after the kernel had it: %.1f until it was read, %.1f until it was written",
            address,
            *((later - before) / 1e6 for before, later in _stages(value.at_ns, read, time.time_ns())),
        )
        self._crosscheck.witnessed(address, characteristic, value.octets)
        self._heard(address)

    def unplaced(self, address: str, value: ReceivedValue, mark: str) -> bool:
        known = next((cuff for cuff in self.sink.known() if cuff.address == address), None)
        if known is None or not self.sink.accepts(address):
            return False
        if all(found.handle != value.handle for found in known.found):  # else: a place of something else
            self.sink.take_early(_arrival(address, UNPLACED, value, mark))
        return True

    def link_ended(self, address: str, reason: int, dropped: int) -> None:
        ending = ENDINGS.get(reason, VisitOutcome(Ending.LINK_LOST, f"HCI error {reason:#04x}"))
        self._endings[address] = ending
        self._early.pop(address, None)
        if dropped and address in self.known:
            log.warning("%s: %d values came before anybody knew it for a cuff; not kept", address, dropped)
        for link in self.links.values():
            if link.cuff == address:
                link.lost(ending)
                return
        self.sink.abandon(address, ending)

    def key_missing(self, address: str) -> None:
        if address in self.known:
            self.sink.doubt(address)
            self.key_was_missing(address)

    def overflow(self, frames: int) -> None:
        self.sink.tell(
            "witness", f"the kernel had no room for {frames} frame(s) while nobody read them; records may be lost"
        )


def _arrival(address: str, characteristic: int, value: ReceivedValue, mark: str) -> ReceivedPayload:
    return ReceivedPayload(
        cuff=address,
        characteristic=characteristic,
        value=value.octets,
        arrived_at=_EPOCH + timedelta(microseconds=value.at_ns // 1000),
        source="witness",
        encrypted=value.encrypted,
        mark=mark,
        handle=value.handle,
    )


def _stages(*at_ns: int) -> list[tuple[int, int]]:
    """From first to last, then step by step."""
    return [(at_ns[0], at_ns[-1]), *pairwise(at_ns)]
