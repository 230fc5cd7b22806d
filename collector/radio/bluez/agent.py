"""Answers BlueZ when it pairs with a cuff: without one, even pairing that asks nobody anything fails.

Source: BlueZ doc/agent-api.txt (org.bluez.Agent1, org.bluez.AgentManager1).
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable

from dbus_fast import DBusError
from dbus_fast.annotations import DBusObjectPath, DBusStr, DBusUInt16, DBusUInt32
from dbus_fast.service import ServiceInterface, dbus_method

from collector.radio.bluez.bus import Bus, BusError
from collector.radio.bluez.link_pairing import Questions
from collector.radio.port import PairingPerson

log = logging.getLogger("quietcuff.radio")

PATH = "/org/quietcuff/agent"
REJECTED = "org.bluez.Error.Rejected"


class PairingAgent(ServiceInterface):
    """Pairs cuffs, and nothing else: other devices' questions are refused.

    is_cuff: whether a device path is a cuff we accept. address_of: its address, for people. questions: what it asks of
    cuffs' displays is noted there.
    """

    def __init__(
        self,
        is_cuff: Callable[[str], bool],
        address_of: Callable[[str], str],
        questions: Questions,
        person: PairingPerson | None = None,
    ) -> None:
        super().__init__("org.bluez.Agent1")
        self.is_cuff, self.address_of, self.questions, self.person = is_cuff, address_of, questions, person
        self._asking: set[asyncio.Future[int | None]] = set()

    @property
    def capability(self) -> str:
        """What BlueZ is to believe of us: a keyboard only where there is somebody to ask."""
        there = self.person is not None and self.person.anywhere()
        return "KeyboardDisplay" if there else "NoInputNoOutput"

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

    async def _ask(self, device: str, ask: Callable[[PairingPerson, str], Awaitable[int | None]]) -> int | None:
        """The person's answer; None where there is nobody or bluetoothd does not wait for it any more."""
        address = self.address_of(device)
        if self.person is None or not self.person.present(address):
            self.questions.unanswered.add(device)
            return None
        asking = asyncio.ensure_future(ask(self.person, address))
        self._asking.add(asking)
        self.questions.open.add(device)
        try:
            await asyncio.wait({asking})
            answer = None if asking.cancelled() else asking.result()
        finally:
            self._asking.discard(asking)
            self.questions.open.discard(device)
        (self.questions.unanswered if answer is None else self.questions.answered).add(device)
        return answer

    @dbus_method()
    def Release(self) -> None:
        pass

    @dbus_method()
    def Cancel(self) -> None:
        for asking in self._asking:
            asking.cancel()

    @dbus_method()
    def RequestAuthorization(self, device: DBusObjectPath) -> None:
        self._admit(device)

    @dbus_method()
    async def RequestConfirmation(self, device: DBusObjectPath, passkey: DBusUInt32) -> None:
        self._admit(device)
        if not await self._ask(device, lambda person, address: person.same_number(address, passkey)):
            raise DBusError(REJECTED, "nobody says that the cuff shows this number")

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
        passkey = await self._ask(device, lambda person, address: person.passkey(address))
        if passkey is None:
            log.warning(
                "%s shows a number to be typed in, and nobody is here to type it: not paired; "
                "quietcuff cuff add %s asks for it",
                address,
                address,
            )
            raise DBusError(REJECTED, "nobody to ask")
        return passkey
