"""Bonds that were found gone: who may make a new one, and what is told of it.

bluetoothd keeps one bond an address, and as long as it does the kernel drops every link on which it does not hold. So
a new one can only be made once the old one is given up, and whoever asks for that may be another that bears the cuff's
address: without its owner's word only where any cuff is welcome, and never in place of one made with digits.
"""

import logging
from collections.abc import Callable, Mapping
from contextlib import suppress

from collector.radio.bluez.bus import ADAPTER, DEVICE, Bus, BusError
from collector.radio.facts import Bond, KnownCuff, Manner
from collector.radio.port import PairingPerson, Sink

log = logging.getLogger("quietcuff.radio")


class LostBonds:
    """missing: cuffs whose bond was found gone, with the side that has lost it: 'ours' or 'cuff'."""

    def __init__(
        self, bus: Bus, sink: Sink, known: Callable[[], Mapping[str, KnownCuff]], person: PairingPerson | None
    ) -> None:
        self.bus, self.sink, self.known, self.person = bus, sink, known, person
        self.missing: dict[str, str] = {}

    def all_stand(self) -> bool:
        """Whether every cuff that was bonded is so here still: else it may advertise without naming its service."""
        bonded = {device.get("Address") for _, device in self.bus.each(DEVICE) if device.get("Paired")}
        return all(cuff.address in bonded for cuff in self.known().values() if cuff.bonded)

    def note_paired(self, address: str, paired: bool) -> None:
        """A cuff is there, and here is no bond with it, or there is."""
        known = self.known().get(address)
        if known is not None and known.bonded and not paired:
            self.missing.setdefault(address, "ours")

    def made(self, address: str, visit: int) -> None:
        """A bond stands."""
        missing = self.missing.pop(address, None)
        self.sink.learn(visit, Bond(True, missing, renewed=missing is not None))
        if missing:
            log.info("%s: paired anew", address)
        self.sink.tell(f"bond {address}", None)  # may have been told before we were started again

    async def lost(self, address: str) -> None:
        """Somebody came at a bonded cuff's address and has no key: give up the bond, where that may be."""
        known = self.known().get(address)
        with_digits = known is not None and any(one.manner is Manner.PASSKEY for one in known.manners)
        if not self._may_be_renewed(address, with_digits):
            asks = " and asks for its digits" if with_digits else ""
            self.sink.tell(
                f"bond {address}",
                f"{address} does not have the bond of the cuff that bears this address, and is not listened to; "
                f"if it is your cuff, quietcuff cuff add {address} lets it make a new one{asks}",
            )
            return
        text = (
            f"{address} has forgotten its bond with this computer; it is paired anew at its next visit "
            "(put it in pairing mode if it does not come)"
        )
        self.sink.tell(f"bond {address}", text)
        self.missing[address] = "cuff"
        for path, device in list(self.bus.each(DEVICE)):
            if device.get("Address") == address and device.get("Paired"):
                with suppress(BusError):
                    await self.bus.call(device["Adapter"], ADAPTER, "RemoveDevice", "o", [path])

    def _may_be_renewed(self, address: str, with_digits: bool) -> bool:
        if with_digits:
            return self.person is not None and self.person.present(address)
        return self.sink.may_pair_anew(address)
