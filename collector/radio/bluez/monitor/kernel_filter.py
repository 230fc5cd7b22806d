"""The socket filter that keeps other devices' traffic in the kernel: it never reaches this process.

Classic BPF (Linux Documentation/networking/filter.rst), attached before the socket is bound and again
whenever more is to pass. It knows nothing of what went before, so it tells frames apart by their own octets:
- link events: LE connection complete, disconnection, encryption. Advertisements, names, keys stay behind;
- ATT indications (0x1D), also on an enhanced bearer, whose channel is a dynamic one. Keyboards, mice, watches and
  sensors talk in notifications (0x1B): these pass only at value handles where a known cuff notifies stored records;
- continuations of a frame, only once a cuff is known whose records can be longer than one packet;
- two management events that name a cuff with a private address, cut off before the name or key they carry.
"""

import ctypes
import socket
import struct
from collections.abc import Iterable
from dataclasses import dataclass

from collector.radio.bluez.monitor import hci_frames

SO_ATTACH_FILTER = 26
_LOAD_BYTE, _EQUAL, _AT_LEAST, _ANY_BIT, _KEEP = 0x30, 0x15, 0x35, 0x45, 0x06
ALL = 0xFFFF
_FIRST = hci_frames.HEADER  # octet of a frame where its packet starts
_BEFORE_NAME = _FIRST + 4 + 2 + 6 + 1  # cookie, event, address, address type
_BEFORE_KEY = _FIRST + 4 + 2 + 1 + 6 + 7  # cookie, event, store hint, private address, identity and its type
MOST_HANDLES = 32  # a jump reaches 255 steps

Instruction = tuple[int, int, str, str]  # code, operand, label if true, label if false ('' is the next step)


@dataclass(frozen=True, slots=True)
class KernelFilter:
    """What passes beside the fixed rules. notified: value handles at which cuffs notify records."""

    notified: frozenset[int] = frozenset()
    continuations: bool = False

    def program(self) -> bytes:
        """The filter as the kernel wants it: struct sock_filter, eight octets each."""
        return _assemble(self._steps())

    def attach(self, sock: socket.socket) -> None:
        """Put the filter on a socket in place of the one before; no frame slips through in between."""
        program = self.program()
        code = ctypes.create_string_buffer(program, len(program))
        sock.setsockopt(
            socket.SOL_SOCKET,
            SO_ATTACH_FILTER,
            struct.pack(
                "HxxxxxxP" if ctypes.sizeof(ctypes.c_void_p) == 8 else "HxxP", len(program) // 8, ctypes.addressof(code)
            ),
        )

    def _steps(self) -> Iterable[tuple[str, Instruction]]:
        yield "", (_LOAD_BYTE, 0, "", "")
        yield "", (_EQUAL, hci_frames.EVENT, "event", "")
        yield "", (_EQUAL, hci_frames.ACL_RECEIVED, "acl", "")
        yield "", (_EQUAL, hci_frames.CONTROL_EVENT, "control", "drop")

        yield "event", (_LOAD_BYTE, _FIRST, "", "")
        yield "", (_EQUAL, hci_frames.DISCONNECTION_COMPLETE, "keep", "")
        yield "", (_EQUAL, hci_frames.ENCRYPTION_CHANGE, "keep", "")
        yield "", (_EQUAL, hci_frames.ENCRYPTION_CHANGE_V2, "keep", "")
        yield "", (_EQUAL, hci_frames.LE_META, "", "drop")
        yield "", (_LOAD_BYTE, _FIRST + 2, "", "")
        for subevent in hci_frames.CONNECTION_COMPLETE:
            yield "", (_EQUAL, subevent, "keep", "")
        yield "", (_KEEP, 0, "", "")

        yield "control", (_LOAD_BYTE, _FIRST + 5, "", "")
        yield "", (_EQUAL, 0, "", "drop")
        yield "", (_LOAD_BYTE, _FIRST + 4, "", "")
        yield "", (_EQUAL, hci_frames.MGMT_DEVICE_CONNECTED, "connected", "")
        yield "", (_EQUAL, hci_frames.MGMT_NEW_IRK, "irk", "drop")
        yield "connected", (_KEEP, _BEFORE_NAME, "", "")
        yield "irk", (_KEEP, _BEFORE_KEY, "", "")

        yield "acl", (_LOAD_BYTE, _FIRST + 1, "", "")  # handle and flags, high octet
        yield "", (_ANY_BIT, 0x10, "keep" if self.continuations else "drop", "")
        yield "", (_LOAD_BYTE, _FIRST + 7, "", "")  # L2CAP channel, high octet
        yield "", (_EQUAL, 0, "", "drop")
        yield "", (_LOAD_BYTE, _FIRST + 6, "", "")  # and low
        yield "", (_EQUAL, hci_frames.ATT_CHANNEL, "att", "")
        yield "", (_AT_LEAST, hci_frames.DYNAMIC_CHANNELS.stop, "drop", "")
        yield "", (_AT_LEAST, hci_frames.DYNAMIC_CHANNELS.start, "", "drop")
        yield "", (_LOAD_BYTE, _FIRST + 10, "", "")  # ATT opcode behind the length of the unit
        yield "", (_EQUAL, hci_frames.INDICATION, "keep", "drop")
        yield "att", (_LOAD_BYTE, _FIRST + 8, "", "")  # ATT opcode
        yield "", (_EQUAL, hci_frames.INDICATION, "keep", "")
        yield "", (_EQUAL, hci_frames.NOTIFICATION, "", "drop")
        for handle in sorted(self.notified)[:MOST_HANDLES]:
            other = f"other than {handle}"
            yield "", (_LOAD_BYTE, _FIRST + 9, "", "")  # value handle
            yield "", (_EQUAL, handle & 0xFF, "", other)
            yield "", (_LOAD_BYTE, _FIRST + 10, "", "")
            yield "", (_EQUAL, handle >> 8, "keep", "")
            yield other, (_LOAD_BYTE, 0, "", "")  # a place to land
        yield "drop", (_KEEP, 0, "", "")
        yield "keep", (_KEEP, ALL, "", "")


def _assemble(steps: Iterable[tuple[str, Instruction]]) -> bytes:
    """Labels to relative jumps."""
    listing = list(steps)
    places = {label: number for number, (label, _) in enumerate(listing) if label}

    def distance(number: int, label: str) -> int:
        return places[label] - number - 1 if label else 0

    return b"".join(
        struct.pack("HBBI", code, distance(number, true), distance(number, false), operand)
        for number, (_, (code, operand, true, false)) in enumerate(listing)
    )
