"""Answers BlueZ when it pairs with a cuff: without one, even pairing that asks nobody anything fails.

Source: BlueZ doc/agent-api.txt (org.bluez.Agent1, org.bluez.AgentManager1).
"""

import logging
from collections.abc import Awaitable, Callable

from dbus_fast import DBusError
from dbus_fast.annotations import DBusObjectPath, DBusStr, DBusUInt16, DBusUInt32
from dbus_fast.service import ServiceInterface, dbus_method

from collector.radio.bluez.bus import Bus, BusError

log = logging.getLogger("quietcuff.radio")

PATH = "/org/quietcuff/agent"
REJECTED = "org.bluez.Error.Rejected"

AskPasskey = Callable[[str], Awaitable[int | None]]
"""Given a cuff's address, the six-digit number on its display; None: nobody knows, do not pair."""


class PairingAgent(ServiceInterface):
    """Pairs cuffs, and nothing else: other devices' questions are refused.

    is_cuff: whether a device path is a cuff we accept. address_of: its address, for people.
    """

    def __init__(
        self, is_cuff: Callable[[str], bool], address_of: Callable[[str], str], ask_passkey: AskPasskey | None = None
    ) -> None:
        super().__init__("org.bluez.Agent1")
        self.is_cuff, self.address_of, self.ask_passkey = is_cuff, address_of, ask_passkey

    @property
    def capability(self) -> str:
        """What BlueZ is to believe of us: a keyboard only where there is somebody to ask."""
        return "KeyboardDisplay" if self.ask_passkey is not None else "NoInputNoOutput"

    async def register(self, bus: Bus) -> None:
        """Become BlueZ's agent for pairings we start, and for all where there is no other. Raises BusError."""
        try:
            await bus.call("/org/bluez", "org.bluez.AgentManager1", "RegisterAgent", "os", [PATH, self.capability])
        except BusError as failure:
            if not failure.name.endswith("AlreadyExists"):
                raise

    def _admit(self, device: str) -> None:
        if not self.is_cuff(device):
            log.info("%s wants to pair; it is no cuff we take", self.address_of(device))
            raise DBusError(REJECTED, "not a cuff")

    @dbus_method()
    def Release(self) -> None:
        pass

    @dbus_method()
    def Cancel(self) -> None:
        pass

    @dbus_method()
    def RequestAuthorization(self, device: DBusObjectPath) -> None:
        self._admit(device)

    @dbus_method()
    def RequestConfirmation(self, device: DBusObjectPath, passkey: DBusUInt32) -> None:
        self._admit(device)

    @dbus_method()
    def AuthorizeService(self, device: DBusObjectPath, uuid: DBusStr) -> None:
        self._admit(device)

    @dbus_method()
    def DisplayPasskey(self, device: DBusObjectPath, passkey: DBusUInt32, entered: DBusUInt16) -> None:
        log.info("%s: type %06d on the cuff", self.address_of(device), passkey)

    @dbus_method()
    async def RequestPasskey(self, device: DBusObjectPath) -> DBusUInt32:
        self._admit(device)
        address = self.address_of(device)
        passkey = await self.ask_passkey(address) if self.ask_passkey is not None else None
        if passkey is None:
            log.warning(
                "%s shows a number to be typed in, and nobody is here to type it: not paired; "
                "run listen where you can answer, or give it the number",
                address,
            )
            raise DBusError(REJECTED, "nobody to ask")
        return passkey
