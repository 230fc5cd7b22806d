"""The witness over a datagram socket that stands in for the monitor channel: whose record it is, what waits for
discovery, what a full buffer says."""

import asyncio
import struct
from collections.abc import Iterator
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from monitor_channel import (
    CUFF,
    KNOWN,
    OTHER,
    PRIVATE,
    Stand,
    encrypted,
    ended,
    frame,
    indication,
    learned,
    made,
    pieces,
    shown,
)

from collector.radio.bluez.monitor.handover import Handover
from collector.radio.bluez.monitor.links import MOST_WAITING
from collector.radio.errors import NotTaken
from collector.radio.facts import KnownCuff


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
