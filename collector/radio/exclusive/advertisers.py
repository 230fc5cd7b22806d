"""Who speaks: which advertisements are a cuff's, and which cuff is to be visited next."""

import time
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from collector.radio.exclusive.scan import Advert, lists_service, local_name, written
from collector.radio.port import KnownCuff

STALE_S = 3.0  # a cuff not heard for so long is not worth a connection attempt
MOST_REMEMBERED = 512  # addresses heard of, however crowded the room
LONGEST_PAUSE_S = 60.0
LEFT_ALONE_S = 10.0  # until a cuff that may not be visited is looked at again
NEW_BURST_S = 10.0  # who was silent for so long and speaks up again has something new to say


@dataclass(slots=True)
class Heard:
    """A cuff that was heard: when, under which name, and when it may be visited (again)."""

    advert: Advert
    at: float  # of the last advertisement that no attempt was made upon
    last: float = 0.0  # of the last advertisement at all
    name: str | None = None
    fruitless: int = 0  # visits in a row that brought nothing
    not_before: float = 0.0
    busy: bool = False


class Hearing:
    """Listens to every advertisement and keeps only cuffs'.

    resolve: the identity address behind a resolvable private one (six octets, low octet first), None if unknown.
    ready: called when somebody may be worth a visit. pause_s: between two visits to one cuff; doubled with each
    that brought nothing, up to a minute.
    """

    def __init__(self, resolve: Callable[[bytes], str | None], ready: Callable[[], None], pause_s: float) -> None:
        self.cuffs: OrderedDict[str, Heard] = OrderedDict()
        self.known: dict[str, KnownCuff] = {}
        self.identities: OrderedDict[bytes, str | None] = OrderedDict()
        self._resolve, self._ready, self._pause_s = resolve, ready, pause_s

    def learn_known(self, known: Iterable[KnownCuff]) -> None:
        self.known = {cuff.address: cuff for cuff in known}

    def on_advert(self, advert: Advert) -> None:
        """Called for every advertisement in the room: decides in microseconds whether it is a cuff's."""
        cuff = self._identity(advert)
        heard = self.cuffs.get(cuff)
        if cuff not in self.known and not lists_service(advert.data):
            if heard is not None and heard.name is None:
                heard.name = local_name(advert.data)  # scan responses often carry the name alone
            return
        now = time.monotonic()
        if heard is None:
            heard = self.cuffs[cuff] = Heard(advert, now)
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

    def pause(self, heard: Heard, fruitful: bool) -> None:
        """After a visit or an attempt: how long to leave the cuff in peace."""
        heard.fruitless = 0 if fruitful else heard.fruitless + 1
        pause = self._pause_s * (1 if fruitful else 2 ** min(heard.fruitless - 1, 10))
        heard.not_before = time.monotonic() + min(pause, LONGEST_PAUSE_S)
