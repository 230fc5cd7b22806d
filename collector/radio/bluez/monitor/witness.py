"""Sees every indication before bluetoothd does, and takes it from the kernel only once the sink has it on disk.

A frame is peeked at, handed to the sink, then taken: a kill in between shows the same frame again, with the same
mark, and loses none. While the sink cannot store, frames wait in the kernel.
"""

import asyncio
import logging
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from collector.radio.bluez.monitor import hci_frames
from collector.radio.bluez.monitor.channel import MonitorChannel
from collector.radio.bluez.monitor.handover import Handover
from collector.radio.bluez.monitor.links import MOST_WAITING, LinkHandle, Links, Peer, ReceivedValue
from collector.radio.bluez.monitor.record_handles import WAIT, RecordHandles
from collector.radio.errors import NotTaken

log = logging.getLogger("quietcuff.radio")

AT_ONCE = 32  # frames before the event loop gets its turn
PATIENCE_S = 1.0  # between two attempts to store
ATTEMPTS = 3  # at a frame on which the sink fails in a way it does not foresee


class WitnessReceiver(Protocol):
    """Who hears what the witness sees. Addresses are identity addresses where they are known."""

    def record(self, address: str, characteristic: int, value: ReceivedValue, mark: str) -> None:
        """A cuff's record. Raises NotTaken: it is shown again later."""
        ...

    def unplaced(self, address: str, value: ReceivedValue, mark: str) -> bool:
        """A value that no discovery has told the meaning of, of a link that ends; whether it is a cuff's, and kept.
        Raises NotTaken."""
        ...

    def link_ended(self, address: str, reason: int, dropped: int) -> None:
        """reason: HCI error code. dropped: values that gave way while they waited for discovery."""
        ...

    def key_missing(self, address: str) -> None:
        """The cuff has forgotten the bond."""
        ...

    def overflow(self, frames: int) -> None:
        """The kernel had no room for so many frames since we looked last."""
        ...


class Witness:
    """memory: keeps what was taken and not yet given, for a successor; None where nothing survives us anyway."""

    def __init__(
        self,
        channel: MonitorChannel,
        record_handles: RecordHandles,
        receiver: WitnessReceiver,
        handover: Handover | None = None,
    ) -> None:
        self.channel, self.record_handles, self.receiver, self.handover = channel, record_handles, receiver, handover
        self.links = Links()
        self._filter = record_handles.kernel_filter()
        self._filter.attach(channel.sock)
        self._last: list[int] | None = None
        self._drops = 0  # told of so far
        self._loop: asyncio.AbstractEventLoop | None = None
        self._retry: asyncio.TimerHandle | None = None
        self._failures = 0
        self._recall()

    def know(self, links: dict[LinkHandle, str]) -> None:
        """Links that were up before the channel was opened."""
        for place, address in links.items():
            self.links.peers.setdefault(place, Peer(address))

    def start(self) -> None:
        """Read whenever something comes, on the running event loop."""
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self.channel.fileno(), self._readable)
        self.look_for_drops()

    def stop(self) -> None:
        """Leave whatever comes from now on in the kernel."""
        if self._retry is not None:
            self._retry.cancel()
            self._retry = None
        if self._loop is not None:
            self._loop.remove_reader(self.channel.fileno())
            self._loop = None

    def discovered(self, address: str, handles: dict[int, int]) -> None:
        """Discovery has finished on a cuff's link: let its values through, and give away those that waited."""
        self.record_handles.learn(address, handles)
        self.refresh()
        self._try_release()

    def has_link(self, address: str) -> bool:
        """Whether a link to this address is up."""
        return any(peer.address == address for peer in self.links.peers.values())

    def refresh(self) -> None:
        """Put the filter in place that the record handles now asks for."""
        kernel_filter = self.record_handles.kernel_filter()
        if kernel_filter != self._filter:
            kernel_filter.attach(self.channel.sock)
            self._filter = kernel_filter

    def drain(self) -> None:
        """Read all that is here already."""
        while self._loop is not None and self._retry is None and self._guarded():
            pass

    # -- reading -------------------------------------------------------------------------------------

    def _readable(self) -> None:
        for _ in range(AT_ONCE):
            if not self._guarded():
                break
        self.look_for_drops()

    def look_for_drops(self) -> None:
        """Tell of frames that the kernel had no room for, also while nobody read."""
        drops = self.channel.drops()
        if drops != self._drops:
            self.receiver.overflow(drops - self._drops)
            self._drops = drops
            self._remember(self._last)

    def _guarded(self) -> bool:
        """One frame. False when there is none, or when it has to wait."""
        try:
            there = self._one()
        except NotTaken as error:
            log.error("a record waits in the kernel: %s", error)
            self._pause()
            return False
        except OSError as error:
            log.error("the monitor channel failed: %s", error)
            self._pause()
            return False
        self._failures = 0
        return there

    def _pause(self) -> None:
        if self._loop is None:
            return
        self._loop.remove_reader(self.channel.fileno())
        self._retry = self._loop.call_later(PATIENCE_S, self._resume)

    def _resume(self) -> None:
        self._retry = None
        if self._loop is not None and self._try_release():
            self._loop.add_reader(self.channel.fileno(), self._readable)

    def _one(self) -> bool:
        frame = self.channel.peek()
        if frame is None:
            return False
        token = [frame.at_ns, frame.opcode, frame.adapter, zlib.crc32(frame.packet)]
        if token != self._last:  # else: dealt with already, but not taken before the end came
            if self._digest(frame):
                self._remember(token)
            self._last = token
        self.channel.take()
        return True

    def _digest(self, frame: hci_frames.Frame) -> bool:
        """Do what a frame asks for. Says whether a successor must know of it."""
        sign = hci_frames.read(frame)
        if isinstance(sign, hci_frames.Piece):
            return self._piece(sign, frame.at_ns)
        if isinstance(sign, hci_frames.LinkMade):
            self.links.link_made(sign)
        elif isinstance(sign, hci_frames.IdentityShown):
            self.links.identity_shown(sign)
        elif isinstance(sign, hci_frames.IdentityLearned):
            self.links.identity_learned(sign)
        elif isinstance(sign, hci_frames.LinkEncrypted):
            peer = self.links.encrypted(sign)
            if peer is not None and sign.status == hci_frames.KEY_MISSING:
                self.receiver.key_missing(peer.address)
        elif isinstance(sign, hci_frames.LinkEnded):
            self._link_ended(sign)
        return sign is not None

    def _link_ended(self, sign: hci_frames.LinkEnded) -> None:
        self._release()
        place = (sign.adapter, sign.handle)
        peer = self.links.peers.get(place)
        if peer is None:
            return
        while peer.held and self._keep(place, peer):
            pass
        self.links.link_ended(sign)
        self.record_handles.link_ended(peer.address)
        self.receiver.link_ended(peer.address, sign.reason, peer.overflowed)

    def _keep(self, place: LinkHandle, peer: Peer) -> bool:
        """Hand over the oldest value that waits, with its handle; False where it is not a cuff's. Raises NotTaken."""
        value = peer.held[0]
        with self._understood(peer.address):
            if not self.receiver.unplaced(peer.address, value, _mark(place, value)):
                return False
        del peer.held[0]
        return True

    def _piece(self, piece: hci_frames.Piece, at_ns: int) -> bool:
        place = (piece.adapter, piece.handle)
        value = self.links.assembled(piece, at_ns)
        changed = False
        if value is not None:
            peer = self.links.peers.get(place)
            verdict = self.record_handles.verdict(peer.address if peer else "", value.handle)
            if verdict == WAIT:
                if peer is not None and len(peer.held) >= MOST_WAITING:
                    self._keep(place, peer)
                self.links.hold(place, value)
                changed = True
            elif isinstance(verdict, int) and peer is not None:
                self._give(place, peer.address, verdict, value)
        return self.links.keep_part(piece, at_ns) or changed

    def _give(self, place: LinkHandle, address: str, characteristic: int, value: ReceivedValue) -> None:
        with self._understood(address):
            self.receiver.record(address, characteristic, value, _mark(place, value))

    @contextmanager
    def _understood(self, address: str) -> Iterator[None]:
        """What the receiver does not foresee is tried a few times. Raises NotTaken."""
        try:
            yield
        except NotTaken:
            raise
        except Exception as error:
            self._failures += 1
            log.exception("a record of %s", address)
            if self._failures < ATTEMPTS:
                raise NotTaken(f"{type(error).__name__}: {error}") from error

    def _release(self) -> None:
        """Decide again on values that waited for discovery. Raises NotTaken."""
        waiting = self._waiting()
        try:
            for place, peer in self.links.peers.items():
                while peer.held:
                    verdict = self.record_handles.verdict(peer.address, peer.held[0].handle)
                    if verdict == WAIT:
                        break
                    if isinstance(verdict, int):
                        self._give(place, peer.address, verdict, peer.held[0])
                    del peer.held[0]
        finally:
            if self._waiting() != waiting:
                self._remember(self._last)

    def _try_release(self) -> bool:
        try:
            self._release()
        except NotTaken as error:
            log.error("a record waits: %s", error)
            if self._retry is None:
                self._pause()
            return False
        return True

    def _waiting(self) -> int:
        return sum(len(peer.held) for peer in self.links.peers.values())

    # -- what a successor must know ------------------------------------------------------------------

    def _remember(self, token: list[int] | None) -> None:
        if self.handover is None:
            return
        try:
            self.handover.put(
                {
                    "last": token,
                    "drops": self._drops,
                    "links": self.links.dump(),
                    "discovered": sorted(self.record_handles.discovered),
                }
            )
        except (OSError, ValueError) as error:
            log.error("the witness cannot write down where it stands: %s", error)

    def _recall(self) -> None:
        kept = self.handover.get() if self.handover is not None else None
        if kept:
            self._last, self._drops = kept["last"], kept.get("drops", 0)
            self.links.load(kept["links"])
            self.record_handles.discovered.update(kept["discovered"])


def _mark(place: LinkHandle, value: ReceivedValue) -> str:
    """Names this very frame for ever."""
    return f"hci{place[0]}-{place[1]:04x}-{value.at_ns}"
