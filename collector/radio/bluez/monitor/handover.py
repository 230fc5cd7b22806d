"""What the witness has taken from its socket and not yet given to the sink, kept where our own death does not reach it.

An anonymous memory file that systemd's descriptor store holds beside the socket, and lost with it when the computer
goes down. Two pages of writing in turn: a kill in the middle of one leaves the other.
"""

import json
import os
import struct
import zlib
from typing import Any

WITNESS, HANDOVER = "witness", "witness-memory"
"""Under which names systemd keeps the socket and this file."""

_SLOT = 1 << 18  # octets
_HEAD = struct.Struct("<QII")  # sequence, length, checksum


class Handover:
    """A JSON value in a memory file. `put` is complete once it returns, whatever happens to this process after."""

    def __init__(self, descriptor: int | None = None) -> None:
        self.descriptor = os.memfd_create("quietcuff-witness", os.MFD_CLOEXEC) if descriptor is None else descriptor
        self._sequence = max((sequence for sequence, _ in self._slots()), default=0)

    def get(self) -> Any:
        """The last complete value, None if there is none."""
        slots = self._slots()
        return json.loads(max(slots)[1]) if slots else None

    def put(self, value: Any) -> None:
        """Raises ValueError for more than fits; the bounds on what waits make that impossible in practice."""
        text = json.dumps(value, separators=(",", ":")).encode()
        if len(text) > _SLOT - _HEAD.size:
            raise ValueError(f"{len(text)} octets do not fit the witness's handover")
        self._sequence += 1
        head = _HEAD.pack(self._sequence, len(text), zlib.crc32(text))
        os.pwrite(self.descriptor, head + text, _SLOT * (self._sequence % 2))

    def close(self) -> None:
        os.close(self.descriptor)

    def _slots(self) -> list[tuple[int, bytes]]:
        found = []
        for number in (0, 1):
            head = os.pread(self.descriptor, _HEAD.size, _SLOT * number)
            if len(head) < _HEAD.size:
                continue
            sequence, length, checksum = _HEAD.unpack(head)
            text = os.pread(self.descriptor, length, _SLOT * number + _HEAD.size) if length < _SLOT else b""
            if sequence and zlib.crc32(text) == checksum:
                found.append((sequence, text))
        return found
