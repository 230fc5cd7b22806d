"""Over BlueZ a bond is given up for a new one only with its owner's word, or where any cuff is welcome anyway."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import pytest
from air import NoteSink, Reader

from collector.radio.bluez.bus import DEVICE, Bus
from collector.radio.bluez.delivery import Delivery, EarlyVisits
from collector.radio.bluez.lost_bonds import LostBonds
from collector.radio.facts import Bond, KnownCuff, Learned, Manner, ReceivedPayload

CUFF, PATH = "C0:FF:EE:00:00:01", "/org/bluez/hci0/dev_C0_FF_EE_00_00_01"


class NotingBus(Bus):
    """bluetoothd with one bonded cuff; what it is asked."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: list[str] = []
        self.objects[PATH] = {DEVICE: {"Address": CUFF, "Adapter": "/org/bluez/hci0", "Paired": True}}

    async def call(self, path: str, interface: str, member: str, *rest: Any, **more: Any) -> list[Any]:
        self.asked.append(member)
        if member == "RemoveDevice":
            del self.objects[PATH]
        return []


def station(manners: Sequence[Learned] = (), pairs_anew: bool = True, there: bool | None = None) -> tuple[Any, ...]:
    sink, bus = NoteSink(), NotingBus()
    sink.remember(KnownCuff(CUFF, bonded=True, manners=frozenset(manners)))
    sink.pairs_anew = pairs_anew

    async def nothing() -> None: ...

    person = None if there is None else Reader(nothing, there)
    return sink, bus, LostBonds(bus, sink, lambda: {cuff.address: cuff for cuff in sink.known()}, person)


async def test_where_any_cuff_is_welcome_it_is_made_anew_and_told() -> None:
    sink, bus, bonds = station()
    await bonds.lost(CUFF)
    assert bus.asked == ["RemoveDevice"]
    assert "paired anew at its next visit" in sink.told[f"bond {CUFF}"]
    visit = sink.open_visit(CUFF, "bluez", datetime.now(UTC))
    bonds.made(CUFF, visit)
    assert sink.facts_of(Bond) == [Bond(True, "cuff", renewed=True)]
    assert sink.told[f"bond {CUFF}"] is None


async def test_where_only_known_cuffs_are_it_stands_until_the_owner_says_so() -> None:
    """Somebody who bears the cuff's address takes nothing from it."""
    sink, bus, bonds = station(pairs_anew=False)
    await bonds.lost(CUFF)
    assert bus.asked == []
    assert f"quietcuff cuff add {CUFF}" in sink.told[f"bond {CUFF}"]
    bonds.made(CUFF, sink.open_visit(CUFF, "bluez", datetime.now(UTC)))  # the cuff itself comes
    assert sink.facts_of(Bond) == [Bond(True, None, renewed=False)]
    sink.pairs_anew = True
    await bonds.lost(CUFF)
    assert bus.asked == ["RemoveDevice"]


@pytest.mark.parametrize(("there", "given_up"), [(None, False), (False, False), (True, True)])
async def test_one_made_with_digits_is_never_replaced_by_one_without(there: bool | None, given_up: bool) -> None:
    _, bus, bonds = station([Learned(Manner.PASSKEY)], there=there)
    await bonds.lost(CUFF)
    assert bus.asked == (["RemoveDevice"] if given_up else [])


async def test_records_of_somebody_without_the_bond_are_told_as_such() -> None:
    """They come before the link is encrypted, by the handles of the cuff whose address he bears."""
    sink = NoteSink()
    sink.remember(KnownCuff(CUFF, bonded=True))
    delivery = Delivery(EarlyVisits(sink, "bluez"))
    noticed: list[str] = []
    delivery.key_was_missing = noticed.append
    arrival = ReceivedPayload(CUFF, characteristic=0x2A35, value=b"", arrived_at=datetime.now(UTC), source="witness")
    delivery.sink.take_early(arrival)
    (visit,) = sink.cuffs
    delivery.key_missing(CUFF)
    assert sink.facts == [(visit, Bond(True, "cuff"))]
    assert noticed == [CUFF]
    delivery.link_ended(CUFF, 0x05, 0)
    assert sink.outcomes[visit].startswith("failed")


def test_nobody_is_missed_while_every_bond_stands() -> None:
    _, bus, bonds = station()
    assert bonds.all_stand()
    bus.objects[PATH][DEVICE]["Paired"] = False
    assert not bonds.all_stand()
    bonds.note_paired(CUFF, paired=False)
    assert bonds.missing == {CUFF: "ours"}
