"""The witness over a datagram socket that stands in for the monitor channel: nothing lost, nothing invented, after
any kill; whose record it is; what waits for discovery; what a full buffer says."""

import asyncio
import os
import socket
import struct
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.radio.bluez.monitor.channel import Channel
from collector.radio.bluez.monitor.handover import Handover
from collector.radio.bluez.monitor.hci_frames import Frame
from collector.radio.bluez.monitor.links import MOST_WAITING, Value
from collector.radio.bluez.monitor.record_handles import RecordHandles
from collector.radio.bluez.monitor.witness import Witness
from collector.radio.port import KnownCuff, NotTaken

CUFF, OTHER = "F0:F1:F2:F3:F4:F5", "C0:C1:C2:C3:C4:C5"
PRIVATE = "7A:00:00:00:00:01"  # two top bits 01: resolvable
KNOWN = (KnownCuff(CUFF, True, {3: 0x2A35}),)


def octets(address: str) -> bytes:
    return bytes.fromhex(address.replace(":", ""))[::-1]


def frame(opcode: int, packet: bytes, adapter: int = 0) -> bytes:
    return struct.pack("<HHH", opcode, adapter, len(packet)) + packet


def made(address: str, handle: int = 0x40, adapter: int = 0, kind: int = 1) -> bytes:
    return frame(3, b"\x3e\x13\x01\x00" + struct.pack("<HBB", handle, 0, kind) + octets(address) + bytes(7), adapter)


def ended(handle: int = 0x40, adapter: int = 0, reason: int = 0x13) -> bytes:
    return frame(3, b"\x05\x04\x00" + struct.pack("<HB", handle, reason), adapter)


def encrypted(handle: int = 0x40, status: int = 0) -> bytes:
    return frame(3, b"\x08\x04" + struct.pack("<BHB", status, handle, not status))


def indication(value: bytes, place: int = 3, handle: int = 0x40, adapter: int = 0, opcode: int = 0x1D) -> bytes:
    att = struct.pack("<BH", opcode, place) + value
    l2cap = struct.pack("<HH", len(att), 4) + att
    return frame(5, struct.pack("<HH", handle | 2 << 12, len(l2cap)) + l2cap, adapter)


def pieces(value: bytes, sizes: list[int], place: int = 3, handle: int = 0x40) -> list[bytes]:
    """The same cut into ACL packets."""
    whole = indication(value, place, handle)[6 + 4 :]
    found, at = [], 0
    for number, size in enumerate([*sizes, len(whole)]):
        part = whole[at : at + size]
        at += size
        if part:
            found.append(frame(5, struct.pack("<HH", handle | (1 if number else 2) << 12, len(part)) + part))
    return found


def shown(address: str, kind: int = 2) -> bytes:
    return frame(17, struct.pack("<IH", 7, 0x0B) + octets(address) + bytes([kind]))


def learned(private: str, address: str) -> bytes:
    return frame(17, struct.pack("<IH", 7, 0x18) + b"\x01" + octets(private) + octets(address) + b"\x02")


@dataclass
class Sink:
    """An Audience that remembers."""

    records: list[tuple[str, int, bytes]] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)
    values: list[Value] = field(default_factory=list)
    endings: list[tuple[str, int, int]] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    cuffs: set[str] = field(default_factory=set)
    kept: list[tuple[str, int, bytes]] = field(default_factory=list)
    dropped: int = 0
    full: bool = False

    def record(self, address: str, characteristic: int, value: Value, mark: str) -> None:
        if self.full:
            raise NotTaken("the disk is full")
        if mark not in self.marks:
            self.records.append((address, characteristic, value.octets))
            self.values.append(value)
        self.marks.append(mark)

    def unplaced(self, address: str, value: Value, mark: str) -> bool:
        if self.full:
            raise NotTaken("the disk is full")
        if address in self.cuffs and mark not in self.marks:
            self.kept.append((address, value.handle, value.octets))
            self.marks.append(mark)
        return address in self.cuffs

    def link_ended(self, address: str, reason: int, dropped: int) -> None:
        self.endings.append((address, reason, dropped))

    def key_missing(self, address: str) -> None:
        self.missing.append(address)

    def overflow(self, frames: int) -> None:
        self.dropped += frames


class Stand:
    """A witness and the kernel's end of its socket."""

    def __init__(self, known: tuple[KnownCuff, ...] = KNOWN, handover: Handover | None = None) -> None:
        self.near, self.far = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.sink, self.known, self.handover = Sink(), known, handover
        self.others: set[str] = set()
        self.start()

    def start(self) -> None:
        """A (new) process: everything is forgotten but the socket and the memory."""
        again = socket.socket(fileno=os.dup(self.near.fileno()))
        self.witness = Witness(
            Channel(again), RecordHandles(self.known, self.others.__contains__), self.sink, self.handover
        )

    def restart(self) -> None:
        self.witness.channel.close()
        self.start()

    def hear(self, *frames: bytes) -> None:
        for octets_ in frames:
            self.far.send(octets_)
        while self.witness._one():
            pass

    def close(self) -> None:
        self.witness.channel.close()
        self.near.close()
        self.far.close()


@pytest.fixture
def stand() -> Iterator[Stand]:
    with closing(Stand()) as made_:
        yield made_


def test_a_known_cuffs_record_is_taken_with_the_kernels_time_and_a_mark_of_its_own(stand: Stand) -> None:
    stand.hear(made(CUFF), encrypted(), indication(b"one"), indication(b"one"))
    assert stand.sink.records == [(CUFF, 0x2A35, b"one")] * 2
    assert len(set(stand.sink.marks)) == 2
    assert all(value.encrypted for value in stand.sink.values)
    assert stand.sink.values[0].at_ns < stand.sink.values[1].at_ns


def test_a_record_on_an_enhanced_bearer_is_taken_too(stand: Stand) -> None:
    """The unit's length, then the ATT octets; channels 0x40 to 0x7F (Core Specification Vol 3 Part A §2.1, §3.4.3)."""
    att = b"\x1d\x03\x00record"
    unit = struct.pack("<H", len(att)) + att
    for channel in (0x40, 0x7F):
        l2cap = struct.pack("<HH", len(unit), channel) + unit
        stand.hear(made(CUFF), frame(5, struct.pack("<HH", 0x40 | 2 << 12, len(l2cap)) + l2cap), ended())
    assert [value for _, _, value in stand.sink.records] == [b"record", b"record"]
    cut = struct.pack("<H", len(att) + 9) + att  # the first part of a longer one
    l2cap = struct.pack("<HH", len(cut), 0x40) + cut
    stand.hear(made(CUFF), frame(5, struct.pack("<HH", 0x40 | 2 << 12, len(l2cap)) + l2cap))
    assert len(stand.sink.records) == 2


def test_another_characteristic_or_device_is_nobodys_business(stand: Stand) -> None:
    stand.others.add(OTHER)
    stand.hear(made(CUFF), made(OTHER, 0x41), indication(b"other", handle=0x41), indication(b"stranger", place=9))
    stand.witness.discovered(CUFF, {3: 0x2A35})
    assert stand.sink.records == []
    stand.hear(indication(b"stranger", place=9), ended(0x41), ended())
    assert stand.sink.endings == [(OTHER, 0x13, 0), (CUFF, 0x13, 0)]


def test_two_adapters_use_the_same_handle_for_different_cuffs(stand: Stand) -> None:
    stand.known = (*KNOWN, KnownCuff(OTHER, True, {3: 0x2A35}))
    stand.restart()
    stand.hear(made(CUFF), made(OTHER, adapter=1), indication(b"a"), indication(b"b", adapter=1))
    assert stand.sink.records == [(CUFF, 0x2A35, b"a"), (OTHER, 0x2A35, b"b")]


def test_a_new_cuffs_records_wait_for_discovery(stand: Stand) -> None:
    stand.hear(made(OTHER), indication(b"early"), indication(b"no record", place=9))
    assert stand.sink.records == []
    stand.witness.discovered(OTHER, {3: 0x2A35})
    assert stand.sink.records == [(OTHER, 0x2A35, b"early")]
    stand.hear(indication(b"late"))
    assert stand.sink.records[1:] == [(OTHER, 0x2A35, b"late")]


def test_a_cuff_that_moved_its_characteristic_loses_nothing(stand: Stand) -> None:
    stand.hear(made(CUFF), indication(b"early", place=7))
    stand.witness.discovered(CUFF, {7: 0x2A35})
    assert stand.sink.records == [(CUFF, 0x2A35, b"early")]


def test_what_waits_is_bounded_and_dropped_with_its_link(stand: Stand) -> None:
    stand.hear(made(OTHER))
    for number in range(MOST_WAITING + 6):
        stand.hear(indication(bytes([number])))
    assert len(stand.witness.links.peers[0, 0x40].held) == MOST_WAITING
    stand.hear(ended())
    assert stand.sink.endings == [(OTHER, 0x13, 6)]
    assert stand.sink.kept == []
    assert stand.witness.links.peers == {}


def test_all_that_a_cuff_sent_before_discovery_is_kept_when_its_link_ends(stand: Stand) -> None:
    """With its handle: also more than may wait, and not before the disk has room."""
    stand.sink.cuffs = {OTHER}
    sent = [bytes([number]) for number in range(MOST_WAITING + 6)]
    stand.hear(made(OTHER), *(indication(value, place=9) for value in sent))
    stand.sink.full = True
    with pytest.raises(NotTaken):
        stand.hear(ended())
    stand.sink.full = False
    stand.hear()
    assert stand.sink.kept == [(OTHER, 9, value) for value in sent]
    assert stand.sink.endings == [(OTHER, 0x13, 0)]
    assert stand.sink.records == []


@settings(deadline=None)
@given(st.binary(min_size=1, max_size=200), st.lists(st.integers(1, 60), max_size=6))
def test_a_value_in_any_pieces_comes_together(value: bytes, sizes: list[int]) -> None:
    sizes = [max(size, 11) if number == 0 else size for number, size in enumerate(sizes)]
    with closing(Stand((KnownCuff(CUFF, True, {3: 0x2B34}),))) as stand:
        stand.hear(made(CUFF), *pieces(value, sizes))
        assert stand.sink.records == [(CUFF, 0x2B34, value)]


def test_pieces_of_two_links_do_not_mix() -> None:
    known = (KnownCuff(CUFF, True, {3: 0x2B34}), KnownCuff(OTHER, True, {3: 0x2B34}))
    with closing(Stand(known)) as stand:
        stand.hear(made(CUFF), made(OTHER, 0x41))
        for one, two in zip(pieces(b"a" * 60, [27, 27]), pieces(b"b" * 60, [27, 27], handle=0x41), strict=True):
            stand.hear(one, two)
        assert stand.sink.records == [(CUFF, 0x2B34, b"a" * 60), (OTHER, 0x2B34, b"b" * 60)]


def test_a_private_address_is_known_by_the_identity_the_kernel_shows(stand: Stand) -> None:
    stand.hear(made(PRIVATE), shown(CUFF), indication(b"one"))
    assert stand.sink.records == [(CUFF, 0x2A35, b"one")]


def test_a_private_address_is_known_by_the_identity_that_pairing_tells(stand: Stand) -> None:
    stand.hear(made(PRIVATE), shown(PRIVATE), learned(PRIVATE, CUFF), indication(b"one"))
    assert stand.sink.records == [(CUFF, 0x2A35, b"one")]


def test_an_identity_that_the_controller_resolved_needs_no_telling(stand: Stand) -> None:
    stand.hear(made(CUFF, kind=3), indication(b"one"))
    assert stand.sink.records == [(CUFF, 0x2A35, b"one")]


def test_a_forgotten_bond_is_told(stand: Stand) -> None:
    stand.hear(made(CUFF), encrypted(status=0x06))
    assert stand.sink.missing == [CUFF]


def test_a_record_that_cannot_be_stored_stays_in_the_kernel(stand: Stand) -> None:
    stand.sink.full = True
    with pytest.raises(NotTaken):
        stand.hear(made(CUFF), indication(b"one"))
    stand.sink.full = False
    stand.restart()
    stand.witness.know({(0, 0x40): CUFF})
    stand.hear()
    assert stand.sink.records == [(CUFF, 0x2A35, b"one")]


def test_a_link_that_was_up_before_us_is_known_by_the_kernels_list(stand: Stand) -> None:
    stand.witness.know({(0, 0x40): CUFF})
    stand.hear(indication(b"one"))
    assert stand.sink.records == [(CUFF, 0x2A35, b"one")]


class Killed(BaseException):
    pass


class Reaper:
    """Kills at the steps it was told: after so many passings of 'stored', 'written down' or 'taken'."""

    def __init__(self, kills: list[tuple[str, int]]) -> None:
        self.kills, self.passed = list(kills), 0

    def pass_by(self, where: str) -> None:
        if self.kills and self.kills[0][0] == where:
            self.passed += 1
            if self.passed >= self.kills[0][1]:
                self.kills.pop(0)
                self.passed = 0
                raise Killed


class WatchedDesk(Sink):
    reaper: Reaper

    def record(self, address: str, characteristic: int, value: Value, mark: str) -> None:
        super().record(address, characteristic, value, mark)
        self.reaper.pass_by("stored")


class WatchedStand(Stand):
    def __init__(self, kills: list[tuple[str, int]], known: tuple[KnownCuff, ...], handover: Handover) -> None:
        self.reaper = Reaper(kills)
        super().__init__(known, handover)
        self.sink = WatchedDesk()
        self.sink.reaper = self.reaper
        self.restart()

    def start(self) -> None:
        super().start()
        take = self.witness.channel.take

        def taking() -> Frame | None:
            self.reaper.pass_by("written down")
            frame_ = take()
            self.reaper.pass_by("taken")
            return frame_

        self.witness.channel.take = taking  # type: ignore[method-assign]


CONVERSATION = [
    made(OTHER, 0x41),
    made(PRIVATE),
    shown(CUFF),
    encrypted(),
    indication(b"1"),
    indication(b"2"),
    *pieces(b"3" * 50, [20, 20]),
    indication(b"n", handle=0x41),
    indication(b"4"),
    ended(),
    made(CUFF, 0x41, adapter=1),
    indication(b"5", handle=0x41, adapter=1),
    indication(b"6", 9, 0x41),
]


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["stored", "written down", "taken"]), st.integers(1, 4)), max_size=12))
def test_a_kill_at_any_step_loses_nothing_and_shows_nothing_as_new(kills: list[tuple[str, int]]) -> None:
    """'stored': the sink has it; 'written down': a successor would know; 'taken': it is off the socket."""
    handover = Handover()
    with closing(WatchedStand(kills, (KnownCuff(CUFF, True, {3: 0x2B34}),), handover)) as stand:
        for octets_ in CONVERSATION:
            stand.far.send(octets_)
        while True:
            try:
                stand.hear()
                break
            except Killed:
                stand.restart()
        expected = [b"1", b"2", b"3" * 50, b"4", b"5"]
        assert [value for _, _, value in stand.sink.records] == expected
        assert all(address == CUFF for address, _, _ in stand.sink.records)
        assert len(set(stand.sink.marks)) == len(expected)
    handover.close()


async def test_it_reads_by_itself_and_waits_while_the_desk_is_full(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.bluez.monitor.witness.PATIENCE_S", 0.01)
    stand = Stand()
    stand.witness.start()
    try:
        stand.sink.full = True
        stand.far.send(made(CUFF))
        for number in range(40):
            stand.far.send(indication(bytes([number])))
        await asyncio.sleep(0.05)
        assert stand.sink.records == []
        stand.sink.full = False
        async with asyncio.timeout(5):
            while len(stand.sink.records) < 40:
                await asyncio.sleep(0.01)
        assert [value for _, _, value in stand.sink.records] == [bytes([number]) for number in range(40)]
    finally:
        stand.witness.stop()
        stand.close()


def test_a_full_buffer_is_noticed() -> None:
    """The count the kernel keeps (SO_MEMINFO) is taken as it stands; only a growth is told."""
    stand = Stand()
    try:
        counts = iter([3, 3, 8])
        stand.witness.channel.drops = lambda: next(counts)  # type: ignore[method-assign]
        stand.witness._readable()
        assert stand.sink.dropped == 3
        stand.witness._readable()
        stand.witness._readable()
        assert stand.sink.dropped == 8
    finally:
        stand.close()


def test_what_a_full_buffer_cost_while_nobody_listened_is_told_once() -> None:
    stand = Stand(handover=Handover())
    try:
        for dropped, told in ((2, 2), (5, 5), (5, 5)):
            stand.restart()
            stand.witness.channel.drops = lambda count=dropped: count  # type: ignore[method-assign, misc]
            stand.witness.look_for_drops()
            assert stand.sink.dropped == told
    finally:
        stand.close()


def test_nonsense_is_passed_over(stand: Stand) -> None:
    stand.hear(
        frame(3, b"\x3e\x13\x01\x00"),
        frame(5, b"\x40\x20\x09\x00\x02\x00\x04\x00\x1d\x03\x00\x00\x00"),
        made(CUFF),
        indication(b"fine"),
    )
    assert stand.sink.records == [(CUFF, 0x2A35, b"fine")]
