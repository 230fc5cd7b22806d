"""What a listener writes besides payloads: visits, what was learned in them, cuffs, conditions."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fresh import fresh

from collector.store import Store, StoreError, audit, conditions, journal
from collector.store.journal import bond_doubts, cuffs, stations, visits

NOON = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)
ONE, TWO = "C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with fresh(tmp_path / "store.db") as made:
        yield made


def test_a_visit_from_beginning_to_end(store: Store) -> None:
    visit = visits.open_visit(store, ONE, "virtual", NOON)
    visits.learn_value(store, visit, 0x2A29, b"Invented", NOON, 0.1)
    visits.learn_value(store, visit, 0x2A29, b"Invented 2", NOON + timedelta(seconds=1))
    journal.append(store, cuff=ONE, characteristic=0x2A35, value=b"1234567", arrived_at=NOON, source="virtual",
                   visit=visit)  # fmt: skip
    visits.close_visit(store, visit, NOON + timedelta(seconds=9), "cuff left")
    (seen,) = visits.recent(store, ONE)
    assert (seen.cuff, seen.outcome, seen.payloads) == (ONE, "cuff left", 1)
    assert seen.closed_at == NOON + timedelta(seconds=9)
    assert visits.values_of(store, ONE) == {0x2A29: (b"Invented 2", NOON + timedelta(seconds=1))}
    assert visits.recent(store, TWO) == []


def test_visits_that_a_crash_left_open_are_closed_at_the_next_start(store: Store) -> None:
    visits.open_visit(store, ONE, "virtual", NOON)
    assert visits.close_open(store, NOON + timedelta(minutes=5)) == 1
    assert visits.close_open(store, NOON + timedelta(minutes=6)) == 0
    assert visits.recent(store)[0].outcome == "listener stopped"


def test_a_cuff_that_is_taken_in_is_known_before_it_ever_came(store: Store) -> None:
    cuffs.remember(store, TWO, NOON)
    assert cuffs.find(store, TWO) == TWO
    assert cuffs.find(store, ONE) is None


@pytest.mark.parametrize(
    ("renewed", "missing_on", "held", "counts_nowhere"),
    [
        (True, None, True, True),
        (False, "cuff", True, True),
        (True, "cuff", True, True),
        (False, "ours", True, False),  # the cuff kept its key: nobody else can have come with it
        (True, None, False, False),
        (False, "cuff", False, False),
    ],
)
def test_what_comes_over_a_doubtful_bond_waits_for_a_person(
    store: Store, renewed: bool, missing_on: str | None, held: bool, counts_nowhere: bool
) -> None:
    visit = visits.open_visit(store, ONE, "virtual", NOON)
    visits.learn_bond(store, visit, not missing_on, missing_on, NOON, renewed=renewed, held=held)
    ((text, round_trip),) = store.query("SELECT value, round_trip_us FROM visit_fact WHERE kind = 'bond'").fetchall()
    assert round_trip == 0
    assert json.loads(text).get("held", False) is counts_nowhere
    (row,) = cuffs.rows(store, ONE)
    keyless = {one for doubt in bond_doubts.bond_doubts(store, row).values() for one in doubt.keyless}
    assert keyless == ({visit} if counts_nowhere and not renewed else set())


def test_handles_and_bond_are_remembered_between_runs(store: Store) -> None:
    visit = visits.open_visit(store, ONE, "virtual", NOON)
    visits.learn_handles(store, visit, {18: 0x2A35, 22: 0x2B34}, NOON)
    visits.learn_handles(store, visit, {18: 0x2A35, 22: 0x2B34}, NOON)
    visits.learn_bond(store, visit, True, None, NOON)
    visits.learn_name(store, visit, "Cuff\x1b[31m of nobody", NOON)
    assert cuffs.known(store) == [(ONE, True, {18: 0x2A35, 22: 0x2B34})]
    visits.learn_handles(store, visit, {30: 0x2A35}, NOON)
    visits.learn_bond(store, visit, False, "cuff", NOON)
    assert cuffs.known(store) == [(ONE, False, {30: 0x2A35})]
    (cuff,) = cuffs.every(store)
    assert (cuff.advertised, cuff.bond_missing_on) == ("Cuff\x1b[31m of nobody", "cuff")
    assert store.scalar("SELECT count(*) FROM visit_fact WHERE kind = 'handles'") == 2


def test_a_bond_made_anew_is_not_missing_and_what_happened_is_kept(store: Store) -> None:
    visit = visits.open_visit(store, ONE, "virtual", NOON)
    visits.learn_bond(store, visit, True, None, NOON)
    visits.learn_bond(store, visit, True, "cuff", NOON)
    (cuff,) = cuffs.every(store)
    assert (cuff.bonded, cuff.bond_missing_on) == (True, None)
    told = store.query("SELECT value FROM visit_fact WHERE kind = 'bond' ORDER BY id")
    assert [json.loads(value)["missing_on"] for (value,) in told] == [None, "cuff"]


def test_a_forgotten_cuff_is_unknown_until_it_is_met_again(store: Store) -> None:
    visits.open_visit(store, ONE, "virtual", NOON)
    cuffs.name(store, ONE.lower(), "kitchen", NOON)
    assert cuffs.find(store, "KITCHEN") == ONE
    cuffs.forget(store, "kitchen", NOON)
    assert (cuffs.known(store), cuffs.is_known(store, ONE), cuffs.every(store)) == ([], False, [])
    assert cuffs.every(store, forgotten=True)[0].name == "kitchen"
    visits.open_visit(store, ONE, "virtual", NOON)
    assert cuffs.is_known(store, ONE)
    assert [change.what for change in audit.changes(store)] == ["cuff added again", "cuff forgotten", "cuff named"]


def test_a_name_is_one_cuffs(store: Store) -> None:
    for address in (ONE, TWO):
        visits.open_visit(store, address, "virtual", NOON)
    cuffs.name(store, ONE, "kitchen", NOON)
    with pytest.raises(StoreError, match="is the name of"):
        cuffs.name(store, TWO, "Kitchen", NOON)
    with pytest.raises(StoreError, match="no cuff 'attic'"):
        cuffs.name(store, "attic", "x", NOON)
    cuffs.name(store, ONE, None, NOON)
    cuffs.name(store, TWO, "Kitchen", NOON)


def test_the_window_for_new_cuffs(store: Store) -> None:
    assert cuffs.window(store, NOON) is None
    cuffs.open_window(store, NOON + timedelta(minutes=1))
    cuffs.open_window(store, NOON + timedelta(minutes=2))
    assert cuffs.window(store, NOON) == NOON + timedelta(minutes=2)
    assert cuffs.window(store, NOON + timedelta(minutes=2)) is None


def test_conditions_last_until_they_are_over(store: Store) -> None:
    conditions.tell(store, "adapter", "switched off", NOON)
    conditions.tell(store, "adapter", "switched off", NOON + timedelta(hours=1))
    conditions.tell(store, "witness", "not allowed", NOON)
    assert [(told.topic, told.since) for told in conditions.current(store)] == [("adapter", NOON), ("witness", NOON)]
    conditions.tell(store, "adapter", "gone", NOON + timedelta(hours=2))
    conditions.tell(store, "witness", None, NOON)
    assert [(told.text, told.since) for told in conditions.current(store)] == [("gone", NOON + timedelta(hours=2))]


def test_zone_rules_over_time(store: Store) -> None:
    stations.set_zone(store, "Europe/Vienna", NOON)
    stations.set_zone(store, "Europe/Vienna", NOON + timedelta(days=1))
    stations.set_zone(store, "Asia/Tokyo", NOON + timedelta(days=9))
    kept = [zone for _, zone in stations.zones(store)[store.own_station]]
    assert kept[-2:] == ["Europe/Vienna", "Asia/Tokyo"]


def test_no_instant_without_its_zone(store: Store) -> None:
    with pytest.raises(ValueError, match="has no zone"):
        visits.open_visit(store, ONE, "virtual", NOON.replace(tzinfo=None))
    assert visits.recent(store) == []
