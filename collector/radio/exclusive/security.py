"""Securing one connection: encrypting with the bond that stands, or pairing with the least that works."""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from typing import Any

from bumble import hci
from bumble.device import Connection

from collector.radio.exclusive.host import Central
from collector.radio.port import LinkLost, Refused, Sink

log = logging.getLogger("quietcuff.radio")

KEY_MISSING = 0x06  # HCI: PIN or Key Missing (Core Vol 1 Part F 2.6)


class Security:
    """wanted: the cuff has asked for it, or refused something for want of it. missing_on: 'ours' or 'cuff' where one
    side of the bond was found gone. while_up: awaits something of the link, and raises LinkLost, Refused."""

    def __init__(
        self, device: Central, connection: Connection, sink: Sink, while_up: Callable[[Awaitable[Any]], Awaitable[Any]]
    ) -> None:
        self.bonded = False
        self.missing_on: str | None = None
        self.wanted = False
        self._device, self._connection, self._sink, self._while_up = device, connection, sink, while_up
        self._one_at_a_time = asyncio.Lock()

    async def secure(self) -> bool:
        """Encrypt with the bond where there is one; else pair where the cuff has asked for it or hides."""
        async with self._one_at_a_time:
            peer = str(self._connection.peer_address)
            bonds = self._device.keystore
            assert bonds is not None
            keys = await bonds.get(peer)
            if self._connection.is_encrypted:
                self.bonded = keys is not None
                return self.bonded
            if keys is not None:
                try:
                    await self._while_up(self._connection.encrypt())
                    self.bonded = True
                    return True
                except (Refused, LinkLost) as error:
                    if not self._bond_is_gone(error):
                        raise
                    self.missing_on = "cuff"
                    if any(key is not None and key.authenticated for key in (keys.ltk, keys.ltk_central)):
                        raise Refused(
                            "the cuff has lost the bond that was made with a passkey: forget the cuff and pair it again"
                        ) from None
                    log.warning("%s: the cuff has lost the bond; pairing again", self._address)
                    await bonds.delete(peer)
                    if isinstance(error, LinkLost):
                        raise
            elif not (self.wanted or self._connection.peer_address.is_resolvable):
                self.bonded = False
                return False
            elif any(known.address == self._address and known.bonded for known in self._sink.known()):
                self.missing_on = "ours"
                log.warning("%s: our side of the bond is gone; pairing again", self._address)
            await self._while_up(self._connection.pair())
            self.bonded = True
            return True

    @property
    def _address(self) -> str:
        return self._connection.peer_address.to_string(False).upper()

    def _bond_is_gone(self, error: Exception) -> bool:
        cause = error.__cause__
        missing = isinstance(cause, hci.HCI_Error) and cause.error_code == KEY_MISSING
        return missing or self.missing_on == "cuff"
