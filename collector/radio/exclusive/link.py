"""One connected cuff on a host stack of our own: confirms a record only after the sink has it on disk."""

import asyncio
import logging
import struct
import time
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from typing import TypeVar

from bumble import att, core, hci
from bumble.device import Connection
from bumble.gatt import GATT_CLIENT_CHARACTERISTIC_CONFIGURATION_DESCRIPTOR as CCCD
from bumble.gatt_client import CharacteristicProxy

from collector.radio.exclusive.discovery import discover
from collector.radio.exclusive.host import Central, ConfirmLast
from collector.radio.port import (
    CUFF_LEFT,
    LINK_LOST,
    MEASUREMENT_CHARACTERISTICS,
    WE_LEFT,
    Ending,
    Found,
    LinkLost,
    NotTaken,
    Outcome,
    ReceivedPayload,
    Refused,
    Sink,
)
from collector.radio.time_limit import within

log = logging.getLogger("quietcuff.radio")
T = TypeVar("T")

WANTS_SECURITY = frozenset({0x05, 0x0F})  # Insufficient Authentication, Insufficient Encryption
KEY_MISSING = 0x06  # HCI: PIN or Key Missing (Core Vol 1 Part F 2.6)
NOT_DECRYPTED = 0x3D  # HCI: Connection Terminated due to MIC Failure: the two sides hold different keys
LOST = frozenset({0x00, 0x08, 0x22, 0x3D, 0x3E})  # adapter gone, timeouts, MIC failure, never established
REVEAL_S = 35.0  # the Security Manager's own limit is 30 s (Core Vol 3 Part H 3.4)
NOTIFY, INDICATE = b"\x01\x00", b"\x02\x00"


def _named(error: att.ATT_Error) -> str:
    """The error by its name (Core Vol 3 Part F 3.4.1.1), or its number where it has none."""
    known = error.error_name in att.ErrorCode.__members__
    return str(error.error_name) if known else f"with error {error.error_code:#04x}"


class BumbleLink:
    """Implements Link. Made the moment the connection stands, before anything of it is heard."""

    def __init__(self, device: Central, connection: Connection, sink: Sink, source: str, most_records: int) -> None:
        self.cuff = connection.peer_address.to_string(False).upper()
        self.source = source
        self.name: str | None = None
        self.visit: int | None = None
        self.bond_missing_on: str | None = None
        self.heard = 0
        self.heard_at = time.monotonic()
        self.ended: Outcome | None = None
        self._device, self._connection, self._sink, self._most = device, connection, sink, most_records
        self._client = ConfirmLast(connection, self)
        connection.gatt_client = self._client
        self._handles: dict[int, int] = {}  # of measurement characteristics: remembered, then discovered
        self._discovered = False
        self._undiscovered: tuple[int, bytes] | None = None  # waits for discovery to say what it is
        self._proxies: dict[int, CharacteristicProxy[bytes]] = {}
        self._answers: dict[int, asyncio.Future[bytes]] = {}
        self._subscribed: set[int] = set()
        self._down = asyncio.Event()
        self._securing = asyncio.Lock()
        self._security_wanted = False
        self._tasks: set[asyncio.Task[None]] = set()
        self._hung_up = False
        connection.on(connection.EVENT_DISCONNECTION, self._on_down)
        connection.on(connection.EVENT_SECURITY_REQUEST, self._on_security_request)

    def remember(self, handles: Mapping[int, int]) -> None:
        """Handles of an earlier visit: they hold for a bonded cuff (Core Vol 3 Part G 2.5.2)."""
        self._handles.update(handles)

    # -- what is heard -------------------------------------------------------------------------------

    def indicated(self, handle: int, value: bytes) -> bool:
        if handle in self._handles:
            return self._take(handle, value)
        if handle in self._subscribed:  # a control point
            self._answered(handle, value)
            return True
        if not self._discovered:
            self._undiscovered = (handle, value)
            return False
        log.debug("%s: indication on handle %#06x is none of ours", self.cuff, handle)
        return True

    def notified(self, handle: int, value: bytes) -> None:
        if handle in self._handles:
            self._take(handle, value)

    def _answered(self, handle: int, value: bytes) -> None:
        answer = self._answers.get(handle)
        if answer is not None and not answer.done():
            answer.set_result(value)

    def _take(self, handle: int, value: bytes) -> bool:
        """Hand a payload to the sink. False: not on disk; the link is dropped, and the cuff keeps it."""
        if self._hung_up:
            return False
        if self.heard >= self._most:
            self._drop(WE_LEFT)
            return False
        try:
            self._sink.take(
                ReceivedPayload(
                    cuff=self.cuff,
                    characteristic=self._handles[handle],
                    value=value,
                    arrived_at=datetime.now(UTC),
                    source=self.source,
                    encrypted=self._connection.is_encrypted,
                ),
                self.visit,
            )
        except NotTaken as error:
            self._drop(Outcome(Ending.FAILED, str(error)))
            return False
        except Exception as error:
            log.error("%s: a record was not taken: %s: %s", self.cuff, type(error).__name__, error)
            log.debug("how", exc_info=True)
            self._drop(Outcome(Ending.FAILED, f"{type(error).__name__}: {error}"))
            return False
        self.heard += 1
        self.heard_at = time.monotonic()
        return True

    def _settle_undiscovered(self) -> None:
        waiting, self._undiscovered = self._undiscovered, None
        if waiting is not None and self.indicated(*waiting):
            self._client.confirm()

    # -- the link ------------------------------------------------------------------------------------

    def _on_down(self, reason: int) -> None:
        if not self._hung_up:
            self.ended = LINK_LOST if reason in LOST else CUFF_LEFT
        if reason == NOT_DECRYPTED:
            self.bond_missing_on = "cuff"
        self._down.set()
        for answer in self._answers.values():
            answer.cancel()

    def adapter_lost(self) -> None:
        """The adapter is gone, and every link with it."""
        self._on_down(0x08)

    def _drop(self, why: Outcome) -> None:
        """Hang up from within a callback."""
        if not self._hung_up:
            self.ended, self._hung_up = why, True
            self._spawn(self._disconnect())

    def _spawn(self, work: Awaitable[None]) -> None:
        task = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _disconnect(self) -> None:
        with suppress(core.BaseBumbleError, asyncio.CancelledError):
            await self._connection.disconnect()

    async def gone(self) -> None:
        await self._down.wait()

    async def hang_up(self) -> None:
        if not self._down.is_set():
            if not self._hung_up:
                self.ended, self._hung_up = WE_LEFT, True
            await self._disconnect()

    async def _while_up(self, work: Awaitable[T]) -> T:
        """Await something of the link; LinkLost when the link goes down first."""
        task = asyncio.ensure_future(work)
        task.add_done_callback(lambda done: done.cancelled() or done.exception())  # nobody may be left to ask
        down = asyncio.ensure_future(self._down.wait())
        try:
            await asyncio.wait({task, down}, return_when=asyncio.FIRST_COMPLETED)
            if task.done() and not task.cancelled():
                return task.result()
            raise LinkLost(str(self.ended or LINK_LOST))
        except att.ATT_Error as error:
            raise Refused(f"the cuff answers {_named(error)}", error.error_code) from None
        except core.TimeoutError:
            raise TimeoutError from None
        except core.BaseBumbleError as error:
            if self._down.is_set():
                raise LinkLost(str(self.ended or LINK_LOST)) from error
            raise Refused(str(error)) from error
        except (ValueError, IndexError, struct.error) as error:
            raise Refused(f"the cuff's answer cannot be read: {error}") from error
        finally:
            down.cancel()
            task.cancel()

    async def _request(self, make: Callable[[], Awaitable[T]]) -> T:
        """One request; where the cuff wants the link secured first, that and the request again."""
        try:
            return await self._while_up(make())
        except Refused as refusal:
            if refusal.code not in WANTS_SECURITY or self._connection.is_encrypted:
                raise
            self._security_wanted = True
            if not await self.secure():
                raise
        return await self._while_up(make())

    # -- security ------------------------------------------------------------------------------------

    def _on_security_request(self, _: int) -> None:
        self._security_wanted = True

        async def follow() -> None:
            with suppress(Refused, LinkLost):
                await self.secure()

        self._spawn(follow())

    async def reveal(self) -> None:
        """Pair first where an address that we cannot resolve hides the cuff: pairing tells who it is."""
        if self._connection.peer_address.is_resolvable:
            with suppress(Refused, LinkLost, TimeoutError):
                await within(REVEAL_S, self.secure())

    async def secure(self) -> bool:
        """Encrypt with the bond where there is one; else pair where the cuff has asked for it or hides."""
        async with self._securing:
            peer = str(self._connection.peer_address)
            bonds = self._device.keystore
            assert bonds is not None
            keys = await bonds.get(peer)
            if self._connection.is_encrypted:
                return keys is not None
            if keys is not None:
                try:
                    await self._while_up(self._connection.encrypt())
                    return True
                except (Refused, LinkLost) as error:
                    if not self._bond_is_gone(error):
                        raise
                    self.bond_missing_on = "cuff"
                    if any(key is not None and key.authenticated for key in (keys.ltk, keys.ltk_central)):
                        raise Refused(
                            "the cuff has lost the bond that was made with a passkey: forget the cuff and pair it again"
                        ) from None
                    log.warning("%s: the cuff has lost the bond; pairing again", self.cuff)
                    await bonds.delete(peer)
                    if isinstance(error, LinkLost):
                        raise
            elif not (self._security_wanted or self._connection.peer_address.is_resolvable):
                return False
            elif any(known.address == self.cuff and known.bonded for known in self._sink.known()):
                self.bond_missing_on = "ours"
                log.warning("%s: our side of the bond is gone; pairing again", self.cuff)
            await self._while_up(self._connection.pair())
            self.cuff = self._connection.peer_address.to_string(False).upper()
            return True

    def _bond_is_gone(self, error: Exception) -> bool:
        cause = error.__cause__
        missing = isinstance(cause, hci.HCI_Error) and cause.error_code == KEY_MISSING
        return missing or self.bond_missing_on == "cuff"

    # -- requests ------------------------------------------------------------------------------------

    async def discover(self) -> tuple[Found, ...]:
        found, self._proxies = await self._request(lambda: discover(self._client))
        if found:
            self._handles = {
                f.handle: f.short for f in found if f.short is not None and f.short in MEASUREMENT_CHARACTERISTICS
            }
            self._discovered = True
            self._settle_undiscovered()
        return found

    async def read(self, found: Found) -> bytes:
        return await self._request(lambda: self._client.read_bounded(found.handle))

    async def write(self, found: Found, value: bytes) -> None:
        await self._request(lambda: self._client.write_value(found.handle, value, with_response=True))

    async def subscribe(self, found: Found, visit: int) -> None:
        if "indicate" in found.properties:
            await self._configure(found, INDICATE)
        elif "notify" in found.properties:
            await self._configure(found, NOTIFY)
        else:
            raise Refused("the characteristic declares neither indicate nor notify")

    async def _configure(self, found: Found, value: bytes) -> None:
        proxy = self._proxies[found.handle]
        if not proxy.descriptors:
            await self._request(lambda: self._client.discover_descriptors(proxy))
        place = proxy.get_descriptor(CCCD)
        if place is None:
            raise Refused("the characteristic has no place to subscribe at")
        handle = place.handle
        await self._request(lambda: self._client.write_value(handle, value, with_response=True))

    async def ask(self, found: Found, request: bytes) -> bytes:
        if found.handle not in self._subscribed:
            self._subscribed.add(found.handle)
            await self._configure(found, INDICATE)
        answer = self._answers[found.handle] = asyncio.get_running_loop().create_future()
        await self.write(found, request)
        return await self._while_up(answer)
