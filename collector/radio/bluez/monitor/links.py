"""Who is at the other end of which link, what arrived in pieces, what waits for discovery. Pure bookkeeping.

Everything here can be written down (`dump`) and taken up again (`load`), so that a successor goes on where this
process died.
"""

from dataclasses import dataclass, field
from typing import Any

from collector.radio.bluez.monitor import hci_frames

MOST_WAITING = 64  # values a link may have waiting for discovery
LONGEST_VALUE = 600  # octets; an ATT value has 512 at most (Vol 3 Part F §3.2.9)

LinkHandle = tuple[int, int]  # adapter, connection handle


@dataclass(frozen=True, slots=True)
class ReceivedValue:
    """An indication or notification as it came. at_ns: receipt of its first octet."""

    handle: int
    octets: bytes
    at_ns: int
    encrypted: bool | None = None


@dataclass(slots=True)
class Peer:
    """One end of a link. address: the identity once it is known. encrypted: None where we came too late to see."""

    address: str
    private: bool = False
    encrypted: bool | None = None
    part: bytes = b""
    part_ns: int = 0
    held: list[ReceivedValue] = field(default_factory=list)
    overflowed: int = 0  # values that had to give way to newer ones


class Links:
    def __init__(self) -> None:
        self.peers: dict[LinkHandle, Peer] = {}
        self._newest: dict[int, int] = {}  # adapter to connection handle

    def link_made(self, sign: hci_frames.LinkMade) -> None:
        self.peers[sign.adapter, sign.handle] = Peer(sign.address, sign.private, encrypted=False)
        self._newest[sign.adapter] = sign.handle

    def link_ended(self, sign: hci_frames.LinkEnded) -> Peer | None:
        return self.peers.pop((sign.adapter, sign.handle), None)

    def encrypted(self, sign: hci_frames.LinkEncrypted) -> Peer | None:
        peer = self.peers.get((sign.adapter, sign.handle))
        if peer is not None and not sign.status:
            peer.encrypted = sign.on
        return peer

    def identity_shown(self, sign: hci_frames.IdentityShown) -> None:
        peer = self.peers.get((sign.adapter, self._newest.get(sign.adapter, -1)))
        if peer is not None and peer.private:
            peer.address, peer.private = sign.address, False

    def identity_learned(self, sign: hci_frames.IdentityLearned) -> None:
        for (adapter, _), peer in self.peers.items():
            if adapter == sign.adapter and peer.address == sign.private:
                peer.address, peer.private = sign.address, False

    def assembled(self, piece: hci_frames.Piece, at_ns: int) -> ReceivedValue | None:
        """The value that is complete with this piece; None if it takes more, or is not one. Changes nothing."""
        peer = self.peers.get((piece.adapter, piece.handle))
        if piece.start:
            frame, began = piece.octets, at_ns
        elif peer is not None and peer.part:
            frame, began = peer.part + piece.octets, peer.part_ns
        else:
            return None
        if len(frame) < 7 or len(frame) < _whole(frame):
            return None
        att = _att(frame)
        if len(att) < 3 or att[0] not in (hci_frames.INDICATION, hci_frames.NOTIFICATION):
            return None
        return ReceivedValue(
            int.from_bytes(att[1:3], "little"), att[3:], began, peer.encrypted if peer is not None else None
        )

    def keep_part(self, piece: hci_frames.Piece, at_ns: int) -> bool:
        """Remember a piece that is not the last of its frame; says whether there is anything new to remember."""
        peer = self.peers.get((piece.adapter, piece.handle))
        if peer is None:
            if not piece.start:
                return False
            peer = self.peers[piece.adapter, piece.handle] = Peer("")
        before = peer.part
        if piece.start:
            peer.part, peer.part_ns = piece.octets, at_ns
        elif peer.part:
            peer.part += piece.octets
        if len(peer.part) >= _whole(peer.part) or len(peer.part) > LONGEST_VALUE:
            peer.part = b""
        return peer.part != before

    def hold(self, place: LinkHandle, value: ReceivedValue) -> None:
        """Keep a value until discovery says whether it is a record; the oldest gives way."""
        peer = self.peers.setdefault(place, Peer(""))
        peer.held.append(value)
        if len(peer.held) > MOST_WAITING:
            del peer.held[0]
            peer.overflowed += 1

    def dump(self) -> dict[str, Any]:
        return {
            "newest": list(self._newest.items()),
            "peers": [
                [
                    *place,
                    peer.address,
                    peer.private,
                    peer.encrypted,
                    peer.part.hex(),
                    peer.part_ns,
                    [[value.handle, value.octets.hex(), value.at_ns, value.encrypted] for value in peer.held],
                ]
                for place, peer in self.peers.items()
            ],
        }

    def load(self, kept: dict[str, Any]) -> None:
        self._newest = dict(kept["newest"])
        for adapter, handle, address, private, encrypted, part, part_ns, held in kept["peers"]:
            self.peers[adapter, handle] = Peer(
                address=address,
                private=private,
                encrypted=encrypted,
                part=bytes.fromhex(part),
                part_ns=part_ns,
                held=[
                    ReceivedValue(value_handle, bytes.fromhex(octets), at_ns, sealed)
                    for value_handle, octets, at_ns, sealed in held
                ],
            )


def _att(frame: bytes) -> bytes:
    """The ATT octets of a whole L2CAP frame: on their own channel, or a unit that fits one frame of an enhanced bearer
    (Vol 3 Part A §3.4.3); nothing where it is neither."""
    channel, octets = int.from_bytes(frame[2:4], "little"), frame[4 : _whole(frame)]
    if channel == hci_frames.ATT_CHANNEL:
        return octets
    unit = octets[2:]
    whole = channel in hci_frames.DYNAMIC_CHANNELS and len(unit) == int.from_bytes(octets[:2], "little")
    return unit if whole else b""


def _whole(frame: bytes) -> int:
    """Octets of an L2CAP frame, its header included (Vol 3 Part A §3.1)."""
    return int.from_bytes(frame[:2], "little") + 4
