"""One connected cuff on a host stack of our own: confirms a record only after the sink has it on disk."""

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from datetime import UTC, datetime
from typing import TypeVar

from bumble.device import Connection

from collector.radio.errors import LinkLost, NotTaken, RefusedByCuff
from collector.radio.exclusive import discovery
from collector.radio.exclusive.host import Central, ConfirmLast
from collector.radio.exclusive.lifetime import BumbleLifetime
from collector.radio.exclusive.places import Places
from collector.radio.exclusive.security import Security
from collector.radio.facts import (
    CUFF_LEFT,
    WE_LEFT,
    Bond,
    Ending,
    Found,
    KnownCuff,
    Manner,
    ReceivedPayload,
    VisitOutcome,
)
from collector.radio.port import Sink
from collector.radio.time_limit import within
from parsers.uuids import UNPLACED

log = logging.getLogger("quietcuff.radio")
T = TypeVar("T")

WANTS_SECURITY = frozenset({0x05, 0x0F})  # Insufficient Authentication, Insufficient Encryption
REVEAL_S = 35.0  # the Security Manager's own limit is 30 s (Core Vol 3 Part H 3.4)
NOTIFY, INDICATE = b"\x01\x00", b"\x02\x00"


class BumbleLink:
    """Implements Link. Made the moment the connection stands, before anything of it is heard."""

    def __init__(self, device: Central, connection: Connection, sink: Sink, source: str, most_records: int) -> None:
        self.cuff = connection.peer_address.to_string(False).upper()
        self.source = source
        self.name: str | None = None
        self.visit: int | None = None
        self.heard = 0
        self.heard_at = time.monotonic()
        self.lifetime = BumbleLifetime(connection)
        self._connection, self._sink, self._most = connection, sink, most_records
        self._client = ConfirmLast(connection, self)
        connection.gatt_client = self._client
        self._places = Places()
        self._unplaced: list[int] = []  # handles of what came before discovery; each value is on disk
        self.table_changed = False
        self.noticed: set[Manner] = set()
        self._answers: dict[int, tuple[asyncio.Future[bytes], Callable[[bytes], bool]]] = {}
        self._subscribed: set[int] = set()
        self.renewed_told = False  # in this visit
        self.security = Security(device, connection, sink, self.lifetime)
        connection.on(connection.EVENT_SECURITY_REQUEST, self._on_security_request)

    def remember(self, known: KnownCuff) -> None:
        self.security.bonded = known.bonded
        if known.bonded:
            self._places.remember(known)

    @property
    def bonded(self) -> bool:
        return self.security.bonded

    @property
    def passing_address(self) -> bool:
        address = self._connection.peer_address
        return address.is_random and not address.is_static

    @property
    def bond_missing_on(self) -> str | None:
        return self.security.missing_on

    @property
    def bond_renewed(self) -> bool:
        return self.security.renewed

    # -- what is heard -------------------------------------------------------------------------------

    def indicated(self, handle: int, value: bytes) -> bool:
        if handle in self._subscribed:  # a control point
            self._answered(handle, value)
            return True
        if self._places.tells_of_changes(handle):
            self.table_changed = True
            self._places.forget()
            return True
        characteristic = self._places.characteristic_at(handle)
        if characteristic is not None:
            return self._take(handle, characteristic, value)
        log.debug("%s: indication on handle %#06x is none of ours", self.cuff, handle)
        return True

    def notified(self, handle: int, value: bytes) -> None:
        characteristic = self._places.characteristic_at(handle)
        if characteristic is not None:
            self._take(handle, characteristic, value)

    def _answered(self, handle: int, value: bytes) -> None:
        answer, late = self._answers.get(handle, (None, None))
        if answer is not None and not answer.done() and late is not None and not late(value):
            answer.set_result(value)

    def _take(self, handle: int, characteristic: int, value: bytes) -> bool:
        """Hand a payload to the sink. False: not on disk; the link is dropped, and the cuff keeps it."""
        if self.lifetime.hung_up:
            return False
        if self.heard + len(self._unplaced) >= self._most:
            self.lifetime.drop(WE_LEFT)
            return False
        try:
            self._tell_renewed()
            self._sink.take(
                ReceivedPayload(
                    cuff=self.cuff,
                    characteristic=characteristic,
                    value=value,
                    arrived_at=datetime.now(UTC),
                    source=self.source,
                    encrypted=self._connection.is_encrypted,
                    handle=handle,
                ),
                self.visit,
            )
        except NotTaken as error:
            self.lifetime.drop(VisitOutcome(Ending.FAILED, str(error)))
            return False
        except Exception as error:
            log.error("%s: a record was not taken: %s: %s", self.cuff, type(error).__name__, error)
            log.debug("how", exc_info=True)
            self.lifetime.drop(VisitOutcome(Ending.FAILED, f"{type(error).__name__}: {error}"))
            return False
        if characteristic == UNPLACED:
            self._unplaced.append(handle)
        else:
            self.heard += 1
        self.heard_at = time.monotonic()
        return True

    def _tell_renewed(self) -> None:
        """Before any record that came over a bond made anew is on disk, so is that."""
        if self.bond_renewed and self.visit is not None and not self.renewed_told:
            self._sink.learn(self.visit, Bond(self.bonded, self.bond_missing_on, renewed=True))
            self.renewed_told = True

    # -- the link ------------------------------------------------------------------------------------

    @property
    def ended(self) -> VisitOutcome | None:
        return self.lifetime.ended

    async def gone(self) -> None:
        await self.lifetime.gone()

    async def hang_up(self) -> None:
        with suppress(Exception):  # else the next visit tells it
            self._tell_renewed()
        if self.security.pairing and self.ended == CUFF_LEFT:
            self.noticed.add(Manner.NO_PAIRING)
        await self.lifetime.hang_up()

    async def _request(self, make: Callable[[], Awaitable[T]]) -> T:
        """One request; where the cuff wants the link secured first, that and the request again."""
        secured = self._connection.is_encrypted
        try:
            return await self.lifetime.while_up(make())
        except RefusedByCuff as refusal:
            if refusal.code not in WANTS_SECURITY:
                raise
            if secured:
                return await self._with_digits(make)
            self.security.wanted = True
            if not await self.secure():
                raise
        try:
            return await self.lifetime.while_up(make())
        except RefusedByCuff as refusal:
            if refusal.code not in WANTS_SECURITY:
                raise
            return await self._with_digits(make)

    async def _with_digits(self, make: Callable[[], Awaitable[T]]) -> T:
        """The request once more, over a bond that was made with the digits on the cuff's display."""
        self.noticed.add(Manner.PASSKEY)
        if not await self.security.step_up():
            raise RefusedByCuff(f"it wants the digits on its display: quietcuff cuff add {self.cuff} asks for them")
        return await self.lifetime.while_up(make())

    # -- security ------------------------------------------------------------------------------------

    def _on_security_request(self, _: int) -> None:
        self.security.wanted = True

        async def follow() -> None:
            with suppress(RefusedByCuff, LinkLost):
                await self.secure()

        self.lifetime.spawn(follow())

    async def reveal(self) -> None:
        """Pair first where an address that we cannot resolve hides the cuff: pairing tells who it is."""
        if self._connection.peer_address.is_resolvable:
            with suppress(RefusedByCuff, LinkLost, TimeoutError):
                await within(REVEAL_S, self.secure())

    async def secure(self) -> bool:
        secured = await self.security.secure()
        self.cuff = self._connection.peer_address.to_string(False).upper()
        return secured

    # -- requests ------------------------------------------------------------------------------------

    async def resume(self, known: KnownCuff) -> tuple[Found, ...]:
        asked = known.handles and not self.table_changed
        holds = asked and await self._request(lambda: discovery.still_holds(self._client, known))
        if not holds or self.table_changed:
            self._places.measuring.clear()
            return ()
        self._discovered_now(known.found)
        return known.found

    async def discover(self, service: int | None = None) -> tuple[Found, ...]:
        if service is not None:
            found = await self._request(lambda: discovery.one_service(self._client, service))
        else:
            found = await self._request(lambda: discovery.everything(self._client))
        if found:
            self._discovered_now(found)
        return found

    def _discovered_now(self, found: tuple[Found, ...]) -> None:
        self._places.discovered(found)
        self.heard += sum(handle in self._places.measuring for handle in self._unplaced)
        self._unplaced.clear()

    async def read(self, found: Found) -> bytes:
        return await self._request(lambda: self._client.read_bounded(found.handle))

    async def write(self, found: Found, value: bytes) -> None:
        answered = "write" in found.properties
        await self._request(lambda: self._client.write_value(found.handle, value, with_response=answered))

    async def subscribe(self, found: Found, visit: int) -> None:
        if "indicate" in found.properties:
            await self._configure(found, INDICATE)
        elif "notify" in found.properties:
            await self._configure(found, NOTIFY)
        else:
            raise RefusedByCuff("the characteristic declares neither indicate nor notify")

    async def _configure(self, found: Found, value: bytes) -> None:
        handle = found.configuration
        if handle is None:
            handle = await self._request(lambda: discovery.configuration_of(self._client, found, 0xFFFF))
        if handle is None:
            raise RefusedByCuff("the characteristic has no place to subscribe at")
        place = handle
        await self._request(lambda: self._client.write_value(place, value, with_response=True))

    async def ask(self, found: Found, request: bytes, late: Callable[[bytes], bool] = lambda _: False) -> bytes:
        if found.handle not in self._subscribed:
            await self._configure(found, INDICATE)
            self._subscribed.add(found.handle)
        answer: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
        self._answers[found.handle] = answer, late
        await self.write(found, request)
        return await self.lifetime.while_up(answer)
