"""Which advertisements are a cuff's, decided on the controller's bytes. The second opinion is Bumble's."""

import pytest
from bumble.core import UUID, AdvertisingData
from hypothesis import given
from hypothesis import strategies as st
from reports import extended, legacy

from collector.radio.exclusive.scan import (
    Advertisers,
    adverts,
    is_report,
    lists_service,
    local_name,
    structures,
    written,
)
from collector.radio.facts import KnownCuff

CUFF = bytes(
    AdvertisingData(
        [
            (AdvertisingData.FLAGS, b"\x06"),
            (AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS, b"\x0a\x18\x10\x18"),
            (AdvertisingData.COMPLETE_LOCAL_NAME, "Manschette ä".encode()),
        ]
    )
)


@pytest.mark.parametrize("make", [legacy, extended])
def test_a_report_is_read_as_bumble_writes_it(make) -> None:
    packet = make(CUFF)
    assert is_report(packet)
    (advert,) = adverts(packet)
    assert written(advert.address) == "C4:F2:17:1A:1D:AA"
    assert advert.address_type == 1
    assert advert.connectable
    assert advert.data == CUFF
    assert not advert.resolvable


@pytest.mark.parametrize(("kind", "connectable"), [(0, True), (1, True), (2, False), (3, False), (4, True)])
def test_connectable_legacy(kind: int, connectable: bool) -> None:
    """Core Vol 4 Part E 7.7.65.2: ADV_IND, ADV_DIRECT_IND, ADV_SCAN_IND, ADV_NONCONN_IND, SCAN_RSP."""
    assert [advert.connectable for advert in adverts(legacy(CUFF, kind))] == [connectable]


def test_a_bonded_cuff_that_advertises_to_us_alone_is_visited() -> None:
    """Directed advertising carries no data at all (Core Vol 6 Part B 2.3.1.2): it is known by its address."""
    address = "C4:F2:17:1A:1D:AA"
    advertisers = Advertisers(lambda _: None, lambda: None, pause_s=0.0)
    (advert,) = adverts(legacy(b"", 1, address))
    advertisers.on_advert(advert)
    assert advertisers.next() is None
    advertisers.learn_known([KnownCuff(address, bonded=True)])
    advertisers.on_advert(advert)
    assert advertisers.next() == address


def test_private_addresses_are_told_apart() -> None:
    """Core Vol 6 Part B 1.3.2: the two highest bits are 11 static, 01 resolvable, 00 not resolvable."""
    kinds = {"C0:00:00:00:00:01": False, "40:00:00:00:00:01": True, "00:00:00:00:00:01": False}
    assert {address: advert.resolvable for address in kinds for advert in adverts(legacy(b"", 0, address))} == kinds


def test_the_service_is_found_in_either_list() -> None:
    full = UUID("00001810-0000-1000-8000-00805f9b34fb").to_bytes(force_128=True)
    assert lists_service(CUFF)
    assert lists_service(bytes(AdvertisingData([(AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS, full)])))
    assert local_name(CUFF) == "Manschette ä"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x02\x01\x06",
        bytes(AdvertisingData([(AdvertisingData.COMPLETE_LOCAL_NAME, b"\x10\x18 in a name")])),
        bytes(AdvertisingData([(AdvertisingData.MANUFACTURER_SPECIFIC_DATA, b"\x10\x18\x10\x18")])),
        bytes(AdvertisingData([(AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS, b"\x00\x10\x18\x00")])),
    ],
)
def test_the_service_is_not_seen_where_it_is_not_listed(data: bytes) -> None:
    assert not lists_service(data)


@given(st.binary(max_size=80), st.sampled_from([0x02, 0x0D]))
def test_no_octets_can_make_it_raise(octets: bytes, subevent: int) -> None:
    packet = bytes([0x04, 0x3E, len(octets) % 256, subevent]) + octets
    for advert in adverts(packet):
        assert len(advert.address) == 6
        lists_service(advert.data)
        local_name(advert.data)


@given(st.lists(st.tuples(st.integers(1, 255), st.binary(max_size=20)), max_size=5))
def test_structures_read_back(pairs: list[tuple[int, bytes]]) -> None:
    data = b"".join(bytes([len(value) + 1, kind]) + value for kind, value in pairs)
    assert list(structures(data)) == pairs
