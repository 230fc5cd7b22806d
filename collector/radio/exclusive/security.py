"""Securing one connection: encrypting with the bond that stands, or pairing with the least that works."""

import asyncio
import logging

from bumble import hci
from bumble.device import Connection
from bumble.keys import PairingKeys

from collector.radio.errors import LinkLost, RefusedByCuff
from collector.radio.exclusive.bonds import Bonds
from collector.radio.exclusive.host import Central
from collector.radio.exclusive.lifetime import BumbleLifetime
from collector.radio.port import Sink

log = logging.getLogger("quietcuff.radio")

LOST = "the cuff has lost the bond"
KEY_MISSING = 0x06  # HCI: PIN or Key Missing (Core Vol 1 Part F 2.6)
NOT_DECRYPTED = 0x3D  # HCI: Connection Terminated due to MIC Failure: the two sides hold different keys


class Security:
    """wanted: the cuff has asked for it, or refused something for want of it. missing_on: 'ours' or 'cuff' where one
    side of the bond was found gone."""

    def __init__(self, device: Central, connection: Connection, sink: Sink, lifetime: BumbleLifetime) -> None:
        self.bonded = False  # once secure() has been asked, whether it stands
        self.missing_on: str | None = None
        self.wanted = False
        self.pairing = False  # and stays so where the cuff leaves in it
        self._device, self._connection, self._sink, self._lifetime = device, connection, sink, lifetime
        self._one_at_a_time = asyncio.Lock()
        self._dead = False
        assert isinstance(device.keystore, Bonds)
        self._bonds = device.keystore
        connection.on(connection.EVENT_DISCONNECTION, self._on_down)

    async def secure(self) -> bool:
        """Encrypt with the bond where there is one; else pair where the cuff has asked for it or hides."""
        async with self._one_at_a_time:
            peer = self._peer
            keys = await self._bonds.get(peer)
            if self._dead:  # who waited for its turn meanwhile must not try on
                raise LinkLost("the keys did not fit")
            if self._connection.is_encrypted:
                self.bonded = keys is not None
            elif keys is not None:
                self.bonded = True  # on our side, whatever the other turns out to have
                self.bonded = await self._encrypt(peer) or await self._pair_anew(keys)
            elif not (self.wanted or self._connection.peer_address.is_resolvable):
                self.bonded = False
            else:
                try:
                    await self._pair()
                finally:
                    await self._look_for_earlier_bond()
                self.bonded = True
            if self.bonded:
                self._sink.tell(f"bond {self._address}", None)  # whatever was said of it
            return self.bonded

    async def step_up(self) -> bool:
        """A bond made without digits is not enough: make one with them. False where nobody is there to read them."""
        self._device.want_digits.add(self._address)
        if self._device.person_at(self._connection) is None:
            return False
        async with self._one_at_a_time:
            renewed = self.renewed
            await self._pair()
            self.bonded = True
            self._bonds.note_renewed(self._peer, renewed)  # by the digits a person knows the cuff
        return True

    @property
    def renewed(self) -> bool:
        """Whether the bond replaced another one, and that was not told yet."""
        return self._peer in self._bonds.renewed

    def told(self) -> None:
        """The sink knows that the bond was renewed."""
        self._bonds.note_renewed(self._peer, False)

    async def _look_for_earlier_bond(self) -> None:
        """After pairing with a cuff that we had no bond with: by now a hidden one has said who it is."""
        if await self._bonds.get(self._peer) is None:
            return
        if any(known.address == self._address and known.bonded for known in self._sink.known()):
            self.missing_on = self.missing_on or "ours"
            self._bonds.note_renewed(self._peer, True)
            log.warning("%s: the bond that was there before is gone; paired again", self._address)

    async def _encrypt(self, peer: str) -> bool:
        """With the bond that stands, or the one before it; False where the cuff has neither. Nothing is deleted."""
        if peer in self._bonds.refused:
            self.missing_on = "cuff"
            return False
        for again in (True, False):
            try:
                await self._lifetime.while_up(self._connection.encrypt())
                self.missing_on = None
                return True
            except (RefusedByCuff, LinkLost) as error:
                if not self._bond_is_gone(error):
                    raise
                self.missing_on = "cuff"
                other = self._bonds.exchange(peer)
                if isinstance(error, LinkLost):
                    self._dead = True
                    if not other:
                        self._bonds.refused.add(peer)
                    raise
                if not (again and other):
                    return False
        return False

    async def _pair_anew(self, keys: PairingKeys) -> bool:
        """The cuff has lost the bond, or another claims so. Raises RefusedByCuff where a person must say so first."""
        again = f"quietcuff cuff add {self._address} pairs it again"
        if any(key is not None and key.authenticated for key in (keys.ltk, keys.ltk_central)):
            if self._device.person_at(self._connection) is None:
                raise RefusedByCuff(f"{LOST} that was made with a passkey; {again}")
            self._device.want_digits.add(self._address)  # never replaced by one made without
        elif not self._sink.may_pair_anew(self._address):
            raise RefusedByCuff(f"{LOST}, or another uses its address; {again}")
        log.warning("%s: the cuff has lost the bond; pairing again", self._address)
        await self._pair()
        return True

    def _on_down(self, reason: int) -> None:
        if reason == NOT_DECRYPTED:
            self.missing_on = "cuff"

    async def _pair(self) -> None:
        self.pairing = True
        try:
            await self._lifetime.while_up(self._connection.pair())
        except RefusedByCuff:
            self.pairing = False
            raise
        self.pairing = False

    @property
    def _peer(self) -> str:
        return str(self._connection.peer_address)

    @property
    def _address(self) -> str:
        return self._connection.peer_address.to_string(False).upper()

    def _bond_is_gone(self, error: Exception) -> bool:
        cause = error.__cause__
        missing = isinstance(cause, hci.HCI_Error) and cause.error_code == KEY_MISSING
        return missing or self.missing_on == "cuff"
