"""Which advertisements are a cuff's: decided on the controller's bytes, before anything else is done.

A crowded room sends hundreds of advertisements a second. Layout: Core Vol 4 Part E 7.7.65.2 (LE Advertising
Report) and 7.7.65.13 (LE Extended Advertising Report); data: Core Specification Supplement Part A.
"""

import struct
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from collector.radio.facts import KnownCuff

EVENT, LE_META = 0x04, 0x3E
LEGACY_REPORT, EXTENDED_REPORT = REPORTS = 0x02, 0x0D
SCANNABLE_ONLY, NOT_CONNECTABLE = 0x02, 0x03  # legacy event types
LISTS_16, LISTS_128, NAMES = (0x02, 0x03), (0x06, 0x07), (0x08, 0x09)
SERVICE_16 = struct.pack("<H", 0x1810)
SERVICE_128 = bytes.fromhex("fb349b5f800000800010000010180000")  # the 128-bit form, low octet first


@dataclass(frozen=True, slots=True)
class Advert:
    """One report. address: six octets, low octet first; its type: 0 public, 1 random, 2 and 3 resolved."""

    address: bytes
    address_type: int
    connectable: bool
    data: bytes

    @property
    def resolvable(self) -> bool:
        """Whether this is a resolvable private address (Core Vol 6 Part B 1.3.2.2)."""
        return self.address_type == 1 and self.address[5] >> 6 == 0b01


def is_report(packet: bytes) -> bool:
    """Whether a packet from the controller is an advertising report."""
    return len(packet) > 3 and packet[0] == EVENT and packet[1] == LE_META and packet[3] in REPORTS


def adverts(packet: bytes) -> Iterator[Advert]:
    """The reports in one packet; what is cut short is left out."""
    at = 5
    for _ in range(packet[4] if len(packet) > 4 else 0):
        if packet[3] == LEGACY_REPORT:
            if at + 9 > len(packet):
                return
            kind, size = packet[at], packet[at + 8]
            connectable = kind not in (SCANNABLE_ONLY, NOT_CONNECTABLE)
            address, address_type, start = packet[at + 2 : at + 8], packet[at + 1], at + 9
            at = start + size + 1
        else:
            if at + 24 > len(packet):
                return
            kind, size = packet[at] | packet[at + 1] << 8, packet[at + 23]
            connectable = bool(kind & 0b1001)  # connectable, or the scan response of one that may be
            address, address_type, start = packet[at + 3 : at + 9], packet[at + 2], at + 24
            at = start + size
        if start + size > len(packet):
            return
        yield Advert(address, address_type, connectable, packet[start : start + size])


def structures(data: bytes) -> Iterator[tuple[int, bytes]]:
    """The AD structures of an advertisement, as (type, value)."""
    at = 0
    while at + 1 < len(data) and data[at]:
        yield data[at + 1], data[at + 2 : at + 1 + data[at]]
        at += 1 + data[at]


def lists_service(data: bytes) -> bool:
    """Whether the Blood Pressure Service is among the services listed."""
    if SERVICE_16 not in data and SERVICE_128 not in data:
        return False
    for kind, value in structures(data):
        if kind in LISTS_16 and SERVICE_16 in (value[i : i + 2] for i in range(0, len(value), 2)):
            return True
        if kind in LISTS_128 and SERVICE_128 in (value[i : i + 16] for i in range(0, len(value), 16)):
            return True
    return False


def local_name(data: bytes) -> str | None:
    """The name in an advertisement, as sent."""
    names = [value for kind, value in structures(data) if kind in NAMES]
    return names[0].decode("utf-8", "replace") if names else None


def written(address: bytes) -> str:
    """An address the way people write it."""
    return ":".join(f"{octet:02X}" for octet in reversed(address))


STALE_S = 3.0  # a cuff not heard for so long is not worth a connection attempt
MOST_REMEMBERED = 512  # addresses heard of, however crowded the room
LONGEST_PAUSE_S = 60.0
LEFT_ALONE_S = 10.0  # until a cuff that may not be visited is looked at again
NEW_BURST_S = 10.0  # who was silent for so long and speaks up again has something new to say


@dataclass(slots=True)
class Advertiser:
    """A cuff that was heard: when, under which name, and when it may be visited (again)."""

    advert: Advert
    at: float  # of the last advertisement that no attempt was made upon
    last: float = 0.0  # of the last advertisement at all
    name: str | None = None
    fruitless: int = 0  # visits in a row that brought nothing
    not_before: float = 0.0
    busy: bool = False


class Advertisers:
    """Listens to every advertisement and keeps only cuffs'.

    resolve: the identity address behind a resolvable private one (six octets, low octet first), None if unknown.
    ready: called when somebody may be worth a visit. pause_s: between two visits to one cuff; doubled with each
    that brought nothing, up to a minute.
    """

    def __init__(self, resolve: Callable[[bytes], str | None], ready: Callable[[], None], pause_s: float) -> None:
        self.cuffs: OrderedDict[str, Advertiser] = OrderedDict()
        self.known: dict[str, KnownCuff] = {}
        self.awaited: frozenset[str] = frozenset()  # names
        self.identities: OrderedDict[bytes, str | None] = OrderedDict()
        self._resolve, self._ready, self._pause_s = resolve, ready, pause_s

    def learn_known(self, known: Iterable[KnownCuff], awaited: frozenset[str] = frozenset()) -> None:
        self.known, self.awaited = {cuff.address: cuff for cuff in known}, awaited

    def on_advert(self, advert: Advert) -> None:
        """Called for every advertisement in the room: decides in microseconds whether it is a cuff's."""
        cuff = self._identity(advert)
        heard = self.cuffs.get(cuff)
        if cuff not in self.known and not lists_service(advert.data) and not self._is_awaited(advert.data):
            if heard is not None and heard.name is None:
                heard.name = local_name(advert.data)  # scan responses often carry the name alone
            return
        now = time.monotonic()
        if heard is None:
            heard = self.cuffs[cuff] = Advertiser(advert, now)
            if len(self.cuffs) > MOST_REMEMBERED:
                del self.cuffs[next(name for name, other in self.cuffs.items() if not other.busy)]
        if advert.connectable:
            heard.advert = advert
        if not heard.busy and now - heard.last > NEW_BURST_S:
            heard.not_before = 0.0  # somebody measured
        heard.at = heard.last = now
        heard.name = heard.name or local_name(advert.data)
        if not heard.busy and now >= heard.not_before:
            self._ready()

    def _is_awaited(self, data: bytes) -> bool:
        return bool(self.awaited) and local_name(data) in self.awaited

    def _identity(self, advert: Advert) -> str:
        """The identity address behind a private one where it can be told, else the address as it is."""
        if not advert.resolvable:
            return written(advert.address)
        if advert.address not in self.identities:
            self.identities[advert.address] = self._resolve(advert.address)
            while len(self.identities) > MOST_REMEMBERED:
                self.identities.popitem(last=False)
        return self.identities[advert.address] or written(advert.address)

    def next(self) -> str | None:
        """Whom to connect to now: known cuffs first, then who waits longest."""
        now = time.monotonic()
        waiting = [
            (cuff not in self.known, heard.not_before, cuff)
            for cuff, heard in self.cuffs.items()
            if not heard.busy and heard.not_before <= now and now - heard.at < STALE_S
        ]
        return min(waiting)[2] if waiting else None

    def at_own_addresses(self) -> frozenset[tuple[bytes, int]]:
        """Addresses and types of the known cuffs that are not being visited, where by these none of them is missed.

        One would be that was not heard since the start, changes its address, or is left in peace until it measures.
        """
        known, now = [self.cuffs.get(cuff) for cuff in self.known], time.monotonic()
        if any(one is None or one.advert.resolvable or one.not_before > now for one in known):
            return frozenset()
        return frozenset((one.advert.address, one.advert.address_type) for one in known if one and not one.busy)

    def pause(self, heard: Advertiser, fruitful: bool) -> None:
        """After a visit or an attempt: how long to leave the cuff in peace."""
        heard.fruitless = 0 if fruitful else heard.fruitless + 1
        pause = self._pause_s * (1 if fruitful else 2 ** min(heard.fruitless - 1, 10))
        heard.not_before = time.monotonic() + min(pause, LONGEST_PAUSE_S)
