"""One connected cuff over BlueZ: bleak reads and writes, our own bus connection pairs and subscribes."""

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Protocol, TypeVar

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bleak.exc import BleakError, BleakGATTProtocolError

from collector.radio.bluez import bleak_internals, link_pairing
from collector.radio.bluez.bus import DEVICE, Bus, BusError
from collector.radio.bluez.lifetime import SERVICES_S, BlueZLifetime
from collector.radio.bluez.link_pairing import Pairing, Questions
from collector.radio.bluez.monitor.hci_frames import is_private
from collector.radio.bluez.subscriptions import Subscriptions
from collector.radio.errors import LinkLost, RefusedByCuff
from collector.radio.facts import (
    CUFF_LEFT,
    MEASUREMENT_CHARACTERISTICS,
    WE_LEFT,
    Ending,
    Found,
    KnownCuff,
    Manner,
    VisitOutcome,
)
from parsers.uuids import short

log = logging.getLogger("quietcuff.radio")
T = TypeVar("T")

NO_BOND_ERRORS = ("NotPermitted", "NotAuthorized", "AuthenticationFailed")


class VisitingRadio(Protocol):
    """What a link needs of the radio that visits."""

    bus: Bus
    subscriptions: Subscriptions | None
    pair_first: set[str]  # cuffs on which a subscription hung: next time by another way
    questions: Questions

    @property
    def known(self) -> Mapping[str, KnownCuff]: ...

    def discovered(self, cuff: str, handles: dict[int, int]) -> None: ...

    def bus_value(self, path: str, number: int, value: bytes) -> None: ...

    def how_it_ended(self, cuff: str) -> VisitOutcome: ...

    def bond_missing_on(self, cuff: str) -> str | None: ...

    def bonded(self, path: str, visit: int) -> None: ...


class BlueZLink:
    """Implements Link. Made by `open`, on a device that BlueZ has connected."""

    def __init__(self, radio: VisitingRadio, path: str, source: str) -> None:
        self.radio, self.path, self.source = radio, path, source
        self.cuff: str = radio.bus.get(path, DEVICE, "Address", "")
        self.name: str | None = radio.bus.get(path, DEVICE, "Name")
        self.visit: int | None = None
        self.bond_missing_on: str | None = None
        self.heard = 0
        self.heard_at = time.monotonic()
        self.table_changed = False  # bluetoothd sees to that
        self.noticed: set[Manner] = set()
        self.pairing = Pairing(radio.bus, path, radio.questions)
        self.lifetime = BlueZLifetime(radio.bus, path, self.pairing)
        self._refused = self.cuff in radio.pair_first  # something, for want of a bond
        self._client: BleakClient
        self._places: dict[int, BleakGATTCharacteristic] = {}
        self._answers: dict[int, asyncio.Queue[bytes]] = {}

    @classmethod
    async def open(cls, radio: VisitingRadio, path: str, source: str) -> "BlueZLink":
        """Wait for BlueZ's discovery on a link that is up. Raises LinkLost."""
        self = cls(radio, path, source)
        if not await self.lifetime.resolved():  # only then bleak, which hangs up when it is interrupted
            raise LinkLost("left during discovery, or that took too long")
        properties: dict[str, Any] = dict(radio.bus.objects.get(path, {}).get(DEVICE, {}))
        self._client = BleakClient(
            BLEDevice(self.cuff, self.name, {"path": path, "props": properties}),
            disconnected_callback=lambda _: self.lost(),
            timeout=SERVICES_S,
        )
        try:
            await self._client.connect()
        except (BleakError, TimeoutError, OSError, EOFError, KeyError) as error:
            raise LinkLost(str(error) or "discovery took too long") from error
        return self

    def lost(self, why: VisitOutcome | None = None) -> None:
        """The link is down."""
        self.lifetime.lost(lambda: why or self.radio.how_it_ended(self.cuff))

    @property
    def ended(self) -> VisitOutcome | None:
        return self.lifetime.ended

    @property
    def pairs_first(self) -> bool:
        """Whether there is reason to ask for a bond by ourselves."""
        return self._refused or self._is_private()

    @property
    def passing_address(self) -> bool:
        return self._is_private()

    def note_record(self) -> None:
        self.heard += 1
        self.heard_at = time.monotonic()

    # -- the port ------------------------------------------------------------------------------------

    async def secure(self) -> bool:
        """Pair where a subscription was refused without or hung, or where only pairing explains the address.

        Else not: bluetoothd pairs by itself when the subscription is refused, and a cuff that can do without is left
        in peace.
        """
        self.bond_missing_on = self.radio.bond_missing_on(self.cuff)
        if not self.pairing.paired and self.pairs_first:
            failure = await self.lifetime.while_up(self.pairing.ask())
            if self.lifetime.is_gone:
                if self.ended == CUFF_LEFT:
                    self.noticed.add(Manner.NO_PAIRING)
                raise LinkLost("left while pairing")
            if failure is not None and not self.pairing.paired and not failure.name.endswith("AlreadyExists"):
                raise RefusedByCuff(f"not paired ({failure}); if the cuff shows a number, it wants it typed in here")
        return self.bonded

    async def resume(self, known: KnownCuff) -> tuple[Found, ...]:
        """bluetoothd keeps what it found, and asks the cuff itself whether it holds: nothing to prove here."""
        return ()

    async def discover(self, service: int | None = None) -> tuple[Found, ...]:
        try:
            services = self._client.services
        except BleakError as error:  # bleak forgets them with the link
            raise LinkLost(str(error)) from error
        found = []
        for offered in services:
            for characteristic in offered.characteristics:
                handle = characteristic.handle + 1  # bleak names the declaration's
                self._places[handle] = characteristic
                found.append(
                    Found(
                        uuid=characteristic.uuid.lower(),
                        short=short(characteristic.uuid),
                        handle=handle,
                        properties=frozenset(characteristic.properties),
                        service=short(offered.uuid),
                    )
                )
        handles = {one.handle: one.short for one in found if one.short in MEASUREMENT_CHARACTERISTICS}
        self.radio.discovered(self.cuff, {handle: number for handle, number in handles.items() if number})
        return tuple(one for one in found if service in (None, one.service))

    async def read(self, found: Found) -> bytes:
        return bytes(await self._on_air(self._client.read_gatt_char(self._places[found.handle])))

    async def write(self, found: Found, value: bytes) -> None:
        response = "write" in found.properties
        await self._on_air(self._client.write_gatt_char(self._places[found.handle], value, response=response))

    async def subscribe(self, found: Found, visit: int) -> None:
        self.visit = visit
        if found.short not in MEASUREMENT_CHARACTERISTICS:
            return  # of changes of the table bluetoothd has itself told
        if not found.properties & {"indicate", "notify"}:
            raise RefusedByCuff("it neither indicates nor notifies")
        place, number = self._places[found.handle], found.short or 0
        path, subscriptions = _path(place), self.radio.subscriptions
        if subscriptions is None:
            doing = self._listen(place, lambda value: self.radio.bus_value(path, number, value))
        else:
            doing = self.lifetime.while_up(subscriptions.hold(path))
        try:
            await self.pairing.in_time(link_pairing.SUBSCRIBE_S, doing)
        except TimeoutError:
            self.radio.pair_first.add(self.cuff)
            why = self._wants_digits(hung=True)
            if self.pairing.paired:  # bluetoothd keeps the request, and every later one behind it
                self.lifetime.ended = VisitOutcome(Ending.FAILED, str(why or "no answer to the subscription"))
                raise LinkLost(str(self.ended)) from None
            raise why or RefusedByCuff("no answer; it may want to be paired and does not say how") from None
        except LinkLost:
            self._wants_digits()
            raise
        except BusError as failure:
            if self.lifetime.is_gone:
                self._wants_digits()
                raise LinkLost(str(failure)) from failure
            # Somebody else's agent may have declined for us; ours answers where we ask for the bond.
            self._refused = failure.name.endswith(NO_BOND_ERRORS)
            raise (self._refused and self._wants_digits()) or RefusedByCuff(str(failure)) from failure
        if self.bonded:
            self.radio.bonded(self.path, visit)

    async def ask(self, found: Found, request: bytes, late: Callable[[bytes], bool] = lambda _: False) -> bytes:
        if found.handle not in self._answers:
            answers: asyncio.Queue[bytes] = asyncio.Queue()
            await self._listen(self._places[found.handle], answers.put_nowait)
            self._answers[found.handle] = answers
        answers = self._answers[found.handle]
        while not answers.empty():  # left over from a request that was given up
            answers.get_nowait()
        await self.write(found, request)
        while late(answer := await self._on_air(answers.get())):
            pass
        return answer

    async def gone(self) -> None:
        await self.lifetime.gone()

    async def hang_up(self) -> None:
        """Tell the cuff to keep what it has, then let the link go."""
        subscriptions = self.radio.subscriptions
        if self.path in self.radio.questions.answered:  # here, as a visit may be broken off while it subscribes
            self.noticed.add(Manner.PASSKEY)
        if not self.lifetime.is_gone:
            self.lifetime.ended = self.ended or WE_LEFT
            if subscriptions is not None:
                await subscriptions.rest(self.path)
            await self.lifetime.disconnect()
        await self.close()

    async def close(self) -> None:
        """Free what bleak holds; never raises."""
        self.lost(WE_LEFT)
        await bleak_internals.let_go(self._client)

    # -- inside --------------------------------------------------------------------------------------

    @property
    def bonded(self) -> bool:
        """Whether a bond stands that outlives the link; then the cuff's own address is known."""
        paired = self.pairing.paired
        if paired:
            self.cuff = self.radio.bus.get(self.path, DEVICE, "Address", self.cuff)
        return paired and bool(self.radio.bus.get(self.path, DEVICE, "Bonded", paired))

    @property
    def bond_renewed(self) -> bool:
        return self.bond_missing_on is not None and self.bonded

    def _wants_digits(self, hung: bool = False) -> RefusedByCuff | None:
        """Whether the subscription failed for want of the digits on the cuff's display: noticed, and in words.

        Either bluetoothd asked for them, or the cuff takes no bond that was made without. hung: it was not refused, and
        may be slow; then only one whose bond is new, or that wanted digits before.
        """
        questions, known = self.radio.questions, self.radio.known.get(self.cuff)
        trusted = known is not None and known.bonded and all(one.manner is not Manner.PASSKEY for one in known.manners)
        refused_bond = self.pairing.paired and (self.ended is None or self.ended.failed) and not (hung and trusted)
        if self.path in questions.answered:
            text = "the digits given were not those on its display"
        elif self.path in questions.unanswered or refused_bond:
            text = "it wants the digits on its display"
        else:
            return None
        self.noticed.add(Manner.PASSKEY)
        why = f"{text}: quietcuff cuff add {self.cuff} asks for them"
        if self.ended is not None:
            self.lifetime.ended = VisitOutcome(Ending.FAILED, why)
        return RefusedByCuff(why)

    def _is_private(self) -> bool:
        return self.radio.bus.get(self.path, DEVICE, "AddressType") == "random" and is_private(self.cuff)

    async def _listen(self, place: BleakGATTCharacteristic, heard: Callable[[bytes], None]) -> None:
        await self._on_air(
            self._client.start_notify(place, lambda _, value: heard(bytes(value)), bluez={"use_start_notify": True})
        )

    async def _on_air(self, step: Awaitable[T]) -> T:
        """A bleak call, its errors in the port's words."""
        try:
            return await self.lifetime.while_up(step)
        except BleakGATTProtocolError as error:
            raise RefusedByCuff(str(error.args[-1]), int(error.args[0])) from error
        except (BleakError, OSError, EOFError, ValueError) as error:
            if self.lifetime.is_gone or not self._client.is_connected:
                raise LinkLost(str(error)) from error
            raise RefusedByCuff(str(error)) from error


def _path(place: BleakGATTCharacteristic) -> str:
    return str(place.obj[0])
