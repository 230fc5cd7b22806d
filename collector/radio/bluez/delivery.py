"""Takes every record to the desk, whoever delivered it: the witness's Audience, and where D-Bus values arrive.

Works without D-Bus, so that what waits in the kernel is on disk before bluetoothd has even been asked for.
"""

import logging
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Protocol

from collector.radio.bluez.monitor.crosscheck import Tally
from collector.radio.bluez.monitor.links import Value
from collector.radio.bluez.monitor.witness import Witness
from collector.radio.bluez.visits_begun import Reception
from collector.radio.port import Arrival, KnownCuff, NotTaken

log = logging.getLogger("quietcuff.radio")

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ENDINGS = {
    0x13: "cuff left",
    0x14: "cuff left",
    0x15: "cuff left",
    0x16: "we left",
    0x08: "link lost",
    0x05: "failed: the cuff and this computer no longer share a bond",
    0x06: "failed: the cuff has forgotten this computer",
    0x3D: "failed: encryption did not match",
}
"""HCI error codes of a disconnection (Core Specification Vol 1 Part F) in the words of a visit's outcome."""


class OpenLink(Protocol):
    """What the keeper needs of a link: to count its records, and to say that it is over."""

    cuff: str
    ended: str

    def note_record(self) -> None: ...

    def lost(self, why: str = "") -> None: ...


class Keeper:
    """forgotten: called with the address of a known cuff that has lost its side of the bond."""

    def __init__(self, reception: Reception) -> None:
        self.reception = reception
        self.witness: Witness | None = None
        self.known: dict[str, KnownCuff] = {}
        self.links: dict[str, OpenLink] = {}  # by device path
        self.heard_at = 0.0  # time.monotonic() of the last record of whomever
        self.forgotten: Callable[[str], None] = lambda _: None
        self._tally = Tally()
        self._early: Counter[str] = Counter()  # records before there was a link to count them
        self._endings: dict[str, str] = {}
        self.refresh()

    def refresh(self) -> None:
        """Ask the desk again whom it knows."""
        self.known = {cuff.address: cuff for cuff in self.reception.known()}
        if self.witness is not None:
            self.witness.roster.update(tuple(self.known.values()))
            self.witness.refresh()

    def early(self, cuff: str) -> int:
        """How many records of the link that is up came before anybody counted; forgets them."""
        return self._early.pop(cuff, 0)

    def how_it_ended(self, cuff: str) -> str:
        """As far as the kernel told."""
        if self.witness is not None:
            self.witness.drain()
        return self._endings.pop(cuff, "cuff left")

    def compare(self) -> None:
        """What D-Bus showed and the witness did not is taken from D-Bus, and told: it must not happen."""
        if self.witness is None:
            return
        self.witness.drain()
        missed = self._tally.missed()
        for cuff, number, value in missed:
            with suppress(NotTaken):
                self._take(cuff, number, value, "standing subscription")
        if missed:
            self.reception.tell(
                "witness",
                f"{len(missed)} record(s) of {missed[0][0]} reached us over D-Bus and not "
                f"through the witness ({datetime.now(UTC):%Y-%m-%d %H:%M} UTC)",
            )

    def bus_value(self, cuff: str, number: int, value: bytes) -> None:
        """A subscribed characteristic's value: a record where there is no witness, else something to count."""
        if self.witness is not None:
            self._tally.on_bus(cuff, number, value)
        elif self.reception.accepts(cuff):
            try:
                self._take(cuff, number, value, self.reception.source)
                self._heard(cuff)
            except NotTaken as error:
                log.error("a record of %s is lost: %s", cuff, error)

    def _take(self, cuff: str, number: int, value: bytes, source: str) -> None:
        self.reception.take(Arrival(cuff, number, value, datetime.now(UTC), source), self.reception.visit_of(cuff))

    def _heard(self, cuff: str) -> None:
        self.heard_at = time.monotonic()
        for link in self.links.values():
            if link.cuff == cuff and not link.ended:
                link.note_record()
                return
        self._early[cuff] += 1

    # -- what the witness sees -----------------------------------------------------------------------

    def record(self, address: str, characteristic: int, value: Value, mark: str) -> None:
        if not self.reception.accepts(address):
            return
        arrival = Arrival(
            address,
            characteristic,
            value.octets,
            _EPOCH + timedelta(microseconds=value.at_ns // 1000),
            "witness",
            encrypted=value.encrypted,
            mark=mark,
        )
        self.reception.take(arrival, self.reception.visit_of(address))
        log.debug("%s: on disk %.1f ms after the kernel had it", address, (time.time_ns() - value.at_ns) / 1e6)
        self._tally.witnessed(address, characteristic, value.octets)
        self._heard(address)

    def link_ended(self, address: str, reason: int, unclaimed: int) -> None:
        ending = ENDINGS.get(reason, f"link lost (HCI {reason:#04x})")
        self._endings[address] = ending
        self._early.pop(address, None)
        if unclaimed and address in self.known:
            log.warning("%s: %d values at places where no measurement was ever found; not kept", address, unclaimed)
        for link in self.links.values():
            if link.cuff == address:
                link.lost(ending)
                return
        self.reception.abandon(address, ending)

    def key_missing(self, address: str) -> None:
        if address in self.known:
            self.forgotten(address)

    def overflow(self, frames: int) -> None:
        self.reception.tell(
            "witness", f"the kernel had no room for {frames} frame(s) while nobody read them; records may be lost"
        )
