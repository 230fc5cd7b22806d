"""A bond made in place of a lost one: the cuff's own after new batteries, or that of another with its address."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from air import fill, room

from collector import intake
from collector.radio.facts import CUFF_LEFT, Bond, ReceivedPayload
from collector.radio.virtual import Behaviour, VirtualCuff
from collector.service.config.settings import Accept
from collector.service.listen.store_sink import StoreSink
from collector.share.samples import sample
from collector.store import conditions, readings
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.opening import open_store
from collector.store.readings import renewed_bonds
from collector.store.values import BOND_NOT_CONFIRMED, BOND_RENEWED

pytestmark = pytest.mark.usefixtures("no_waiting")

ADDRESS = "F0:00:00:00:00:01"
QUICK = Behaviour(lingers_s=0.05)
KEYS: dict[VirtualCuff, object] = {}
HIDDEN = Behaviour(lingers_s=0.05, private_address=True)


async def visited(tmp_path: Path, sink: StoreSink, cuff: VirtualCuff, systolic: int) -> None:
    """A cuff comes in reach of the same collector and delivers two records."""
    fill(cuff, 2, systolic)
    async with room(cuff, sink=sink, keys=tmp_path / "bonds") as air:
        device = cuff._plugged.device
        device.keystore = KEYS.setdefault(cuff, device.keystore)  # its bonds outlive the room
        await air.wake()


def marks(store: Store) -> dict[int, tuple[set[str], bool]]:
    """Of each systolic: what its bond is marked with, and whether it counts."""
    bond = {BOND_RENEWED, BOND_NOT_CONFIRMED}
    return {int(one.systolic or 0): (bond & set(one.marks), not sample(one).void) for one in readings.select(store)}


@pytest.mark.parametrize("behaviour", [QUICK, HIDDEN], ids=["open", "private"])
async def test_a_stranger_at_a_bonded_address_counts_only_once_a_person_says_so(
    tmp_path: Path, behaviour: Behaviour
) -> None:
    mine, other = VirtualCuff("Mine", ADDRESS), VirtualCuff("Other", ADDRESS)
    mine.behaviour, other.behaviour = behaviour, behaviour
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store, Accept.KNOWN)
        cuffs.open_window(store, datetime.now(UTC) + timedelta(minutes=5))
        await visited(tmp_path, sink, mine, 120)
        await visited(tmp_path, sink, other, 170)  # pairs anew
        await visited(tmp_path, sink, other, 180)  # with its bond
        trusted, held = (set(), True), ({BOND_RENEWED, BOND_NOT_CONFIRMED}, False)
        expected = {120: trusted, 121: trusted, 170: held, 171: held, 182: held, 183: held}
        assert marks(store) == expected
        assert cuffs.every(store)[0].bond_renewed
        intake.rebuild(store)
        assert marks(store) == expected

        assert renewed_bonds.confirm(store, ADDRESS, datetime.now(UTC)) == 4
        assert all(found == trusted for found in marks(store).values())
        assert not cuffs.every(store)[0].bond_renewed
        await visited(tmp_path, sink, other, 140)
        intake.rebuild(store)
        assert all(found == trusted for found in marks(store).values()), "confirmed bonds stay so"


async def test_where_any_cuff_is_welcome_a_renewed_bond_is_marked_and_counts(tmp_path: Path) -> None:
    cuff = VirtualCuff("Mine", ADDRESS, QUICK)
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store)
        await visited(tmp_path, sink, cuff, 120)
        fill(cuff, 2, 148)
        async with room(cuff, sink=sink, keys=tmp_path / "bonds") as air:
            cuff.forget_bonds()
            await air.wake()
        assert marks(store) == {
            120: (set(), True), 121: (set(), True), 150: ({BOND_RENEWED}, True), 151: ({BOND_RENEWED}, True)
        }  # fmt: skip


async def test_our_own_loss_is_a_renewal_too(tmp_path: Path) -> None:
    cuff = VirtualCuff("Mine", ADDRESS, QUICK)
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store, Accept.KNOWN)
        cuffs.open_window(store, datetime.now(UTC) + timedelta(minutes=5))
        await visited(tmp_path, sink, cuff, 120)
        (tmp_path / "bonds" / "bonds.json").unlink()
        fill(cuff, 2, 148)
        async with room(cuff, sink=sink, keys=tmp_path / "bonds") as air:
            await air.wake()
        held = ({BOND_RENEWED, BOND_NOT_CONFIRMED}, False)
        assert marks(store) == {120: (set(), True), 121: (set(), True), 150: held, 151: held}


def test_what_came_before_the_key_was_missed_does_not_count_where_only_known_cuffs_do(tmp_path: Path) -> None:
    """It bears a bonded cuff's address, has no key, and sends before it is found out and left."""
    cuff = VirtualCuff("Other", ADDRESS)
    now = datetime.now(UTC)
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store, Accept.KNOWN)
        for number, (systolic, encrypted, bond) in enumerate(
            [(120, True, Bond(True)), (170, False, Bond(True, "cuff")), (130, True, Bond(True))]
        ):
            at = now + timedelta(minutes=number)
            visit = sink.open_visit(ADDRESS, "virtual", at)
            value = cuff.measure(systolic, 80)
            sink.take(ReceivedPayload(ADDRESS, 0x2A35, value, at, source="virtual", encrypted=encrypted), visit)
            sink.learn(visit, bond)
            sink.close_visit(visit, at, CUFF_LEFT)
        assert marks(store) == {120: (set(), True), 170: ({BOND_NOT_CONFIRMED}, False), 130: (set(), True)}
        intake.rebuild(store)
        assert not marks(store)[170][1]


async def test_what_was_told_of_a_bond_is_over_once_it_stands(tmp_path: Path) -> None:
    """A stranger was not listened to; then the cuff itself comes, with its bond."""
    mine, other = VirtualCuff("Mine", ADDRESS, QUICK), VirtualCuff("Other", ADDRESS, QUICK)
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store, Accept.KNOWN)
        cuffs.open_window(store, datetime.now(UTC) + timedelta(minutes=5))
        await visited(tmp_path, sink, mine, 120)
        cuffs.open_window(store, datetime.now(UTC) - timedelta(minutes=5))
        await visited(tmp_path, sink, other, 170)
        assert "not listened to" in conditions.current(store)[0].text
        await visited(tmp_path, sink, mine, 130)
        assert not conditions.current(store)
        assert set(marks(store)) == {120, 121, 132, 133}
