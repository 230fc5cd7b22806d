"""The sink over the store: whom it knows, and how soon a record is on disk."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.radio.errors import NotTaken
from collector.radio.facts import Bond, Named, ReceivedPayload
from collector.service.listen.store_sink import MOST_UNREAD, StoreSink
from collector.store import journal
from collector.store.journal import cuffs, visits
from collector.store.opening import open_store

CUFF, OTHER = "C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02"
NOON = datetime(2031, 3, 4, 12, tzinfo=UTC)


def test_whom_it_knows_is_read_again_only_once_something_was_written(tmp_path: Path) -> None:
    """A radio asks every two seconds, at rest too."""
    path = tmp_path / "quietcuff.db"
    with open_store(path) as store, open_store(path) as elsewhere:
        sink = StoreSink(store)
        visits.open_visit(store, CUFF, "virtual", NOON)
        assert [cuff.address for cuff in sink.known()] == [CUFF]
        asked: list[str] = []
        store.connection.set_trace_callback(asked.append)
        assert [cuff.address for cuff in sink.known()] == [CUFF]
        assert asked == ["PRAGMA data_version"]
        store.connection.set_trace_callback(None)
        cuffs.remember(elsewhere, OTHER, NOON)
        assert [cuff.address for cuff in sink.known()] == [CUFF, OTHER], "by another process"
        cuffs.forget(store, OTHER, NOON)
        assert [cuff.address for cuff in sink.known()] == [CUFF], "by itself"


@pytest.mark.parametrize(
    "odd",
    [
        "INSERT INTO cuff_manner VALUES (1, 'of a later quietcuff', '', 1, 0)",
        "INSERT INTO cuff_manner VALUES (1, 'answers slowly', '', 1, 9223372036854775807)",
        "INSERT INTO cuff_manner VALUES (1, CAST(x'ff' AS TEXT), '', 1, 0)",
        "INSERT INTO cuff_characteristic VALUES (1, 9, -1, NULL, 'read', NULL)",
        "UPDATE cuff SET address = CAST(x'ff' AS TEXT) WHERE id = 1",
    ],
)
def test_an_odd_value_about_one_cuff_keeps_no_other_out(odd: str, tmp_path: Path) -> None:
    """It stopped the radio at every try, for all cuffs and for ever."""
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store)
        for cuff in (CUFF, OTHER):
            visits.open_visit(store, cuff, "virtual", NOON)
        store.query(odd)
        assert OTHER in [cuff.address for cuff in sink.known()]
        assert len(sink.known()) == 2


def test_what_came_before_and_cannot_be_read_keeps_nobody_from_measuring(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store)
        with store.transaction():
            journal.append(store, cuff=CUFF, characteristic=0x2A35, value=b"1", arrived_at=NOON, source="virtual")
        store.query("UPDATE station_zone SET zone = CAST(x'41ff' AS TEXT)")
        assert sink.catch_up() == 0
        assert "kept but was not understood yet" in caplog.text
        store.query("UPDATE station_zone SET zone = 'UTC'")
        assert sink.catch_up() == 1


def record(number: int) -> ReceivedPayload:
    """A Blood Pressure Measurement of this pulse, with a time stamp (Blood Pressure Service 3.1)."""
    stamp = (2031).to_bytes(2, "little") + bytes((3, 4, 11, number % 60, 0))
    value = bytes((0x02, 120, 0, 80, 0, 93, 0)) + stamp
    return ReceivedPayload(cuff=CUFF, characteristic=0x2A35, value=value, arrived_at=NOON, source="witness")


async def test_what_a_record_means_waits_until_no_other_comes(tmp_path: Path) -> None:
    """Until it is on disk the next one is, over BlueZ, in nobody's memory but this machine's."""
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store)
        visit = sink.open_visit(CUFF, "witness", NOON)
        for number in range(3):
            sink.take(record(number), visit)
            for _ in range(5):
                await asyncio.sleep(0)
            assert store.scalar("SELECT count(*) FROM reading") == 0
        async with asyncio.timeout(20):
            while store.scalar("SELECT count(*) FROM reading") < 3:  # noqa: ASYNC110
                await asyncio.sleep(0.01)


async def test_a_cuff_that_never_pauses_does_not_pile_up_what_is_to_be_read(tmp_path: Path) -> None:
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store)
        visit = sink.open_visit(CUFF, "witness", NOON)
        for number in range(MOST_UNREAD + 5):
            before = store.scalar("SELECT count(*) FROM reading")
            sink.take(record(number), visit)
            assert store.scalar("SELECT count(*) FROM reading") == before, "whoever took it is kept waiting"
            await asyncio.sleep(0)
        assert store.scalar("SELECT count(*) FROM reading") >= 4
        sink.read_all()


async def test_a_fact_takes_its_turn_after_what_came_before_it_and_keeps_nobody_waiting(tmp_path: Path) -> None:
    """At a visit's beginning and at a bond a cuff is in the middle of its records."""
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store)
        visit = sink.open_visit(CUFF, "witness", NOON)
        for number in range(3):
            sink.take(record(number), visit)
        sink.learn(visit, Bond(True))
        seen = []
        for _ in range(5):
            kept = cuffs.known(store)[0][1]
            seen.append((store.scalar("SELECT count(*) FROM reading"), kept))
            await asyncio.sleep(0)
        assert seen == [(0, False), (1, False), (2, False), (3, False), (3, True)]


async def test_whoever_asks_knows_what_was_just_learned(tmp_path: Path) -> None:
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store)
        visit = sink.open_visit(CUFF, "witness", NOON)
        sink.take(record(1), visit)
        sink.learn(visit, Bond(True))
        assert [cuff.bonded for cuff in sink.known()] == [True]
        sink.take(record(2), visit)
        assert sink.known()
        assert store.scalar("SELECT count(*) FROM reading") == 1, "what came since is not worked out for that"


async def test_a_fact_that_cannot_be_kept_costs_nothing_else(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store)
        visit = sink.open_visit(CUFF, "witness", NOON)
        store.connection.execute(
            "CREATE TEMP TRIGGER full BEFORE UPDATE OF advertised ON cuff BEGIN SELECT RAISE(ABORT, 'full'); END"
        )
        sink.learn(visit, Named("Cuff"))
        sink.learn(visit, Bond(True))
        sink.take(record(1), visit)
        sink.read_all()
        assert "Named is not stored" in caplog.text
        assert [cuff.bonded for cuff in sink.known()] == [True]
        assert store.scalar("SELECT count(*) FROM reading") == 1


def test_a_visit_and_the_record_that_came_before_it_are_one_commit(tmp_path: Path) -> None:
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store)
        said: list[str] = []
        store.connection.set_trace_callback(said.append)
        sink.open_visit(CUFF, "witness", NOON, first=record(1))
        store.connection.set_trace_callback(None)
        kept = next(number for number, words in enumerate(said) if words.startswith("INSERT INTO payload"))
        assert [words for words in said[:kept] if words == "COMMIT"] == []
        assert store.scalar("SELECT visit_id IS NOT NULL FROM payload") == 1


def test_a_visit_whose_first_record_cannot_be_kept_has_not_begun(tmp_path: Path) -> None:
    with open_store(tmp_path / "quietcuff.db") as store:
        sink = StoreSink(store)
        store.connection.execute(
            "CREATE TEMP TRIGGER full BEFORE INSERT ON payload BEGIN SELECT RAISE(ABORT, 'full'); END"
        )
        with pytest.raises(NotTaken):
            sink.open_visit(CUFF, "witness", NOON, first=record(1))
        assert store.scalar("SELECT count(*) FROM visit") == 0
        store.connection.execute("DROP TRIGGER full")
        visit = sink.open_visit(CUFF, "witness", NOON, first=record(1))
        sink.read_all()
        assert store.scalar("SELECT count(*) FROM reading") == 1
        assert visit
