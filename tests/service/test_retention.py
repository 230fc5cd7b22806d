"""What the rule takes away is never what a reading rests on: `rebuild` gives the same readings after it."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.intake.pipeline import catch_up, rebuild
from collector.service import machine_clock
from collector.service.jobs import retention
from collector.store import audit, journal, readings, sightings, upkeep
from collector.store.database import Store
from collector.store.opening import open_store
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime

START = datetime(2031, 3, 1, 7, tzinfo=UTC)
CUFF = "C0:FF:EE:00:00:01"
DAY = timedelta(days=1)


def record(systolic: int, stamped: datetime | None = None) -> bytes:
    stamp = DateTime.of(stamped.replace(tzinfo=None)) if stamped else None
    return build_measurement(measurement(systolic, 80, 95, stamp=stamp, pulse=60, user_id=1))


def send(store: Store, at: datetime, value: bytes, characteristic: int = 0x2A35) -> None:
    journal.append(store, cuff=CUFF, characteristic=characteristic, value=value, arrived_at=at, source="virtual")


def told(store: Store) -> list[tuple[object, ...]]:
    """Readings as they are, sightings aside."""
    return [
        (one.reading_id, one.systolic, one.taken_at, one.taken_basis, one.received_at, one.marks, one.payload)
        for one in readings.select(store)
    ]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Ten readings a day apart, each sent again on the two days after; one payload cut, one cuff pressure."""
    opened = open_store(tmp_path / "quietcuff.db")
    arrivals = [
        (START + (day + again) * DAY, record(120 + day, START + day * DAY)) for day in range(10) for again in range(3)
    ]
    for at, value in sorted(arrivals):
        send(opened, at, value)
    send(opened, START, b"\x1e\x80")
    send(opened, START, record(66), characteristic=0x2A36)
    catch_up(opened)
    yield opened
    opened.close()


def test_off_takes_nothing(store: Store) -> None:
    assert retention.apply(store, 0, START + 9999 * DAY).payloads == 0
    assert journal.counts(store).payloads == 32


def test_a_preview_changes_nothing_and_says_what_would_go(store: Store) -> None:
    found = retention.preview(store, 30, START + 100 * DAY)
    assert found.kinds == {"copies": 20, "undecodable": 1, "cuff pressures": 1}
    assert found.payloads == 22
    assert found.oldest == START
    assert journal.counts(store).payloads == 32


def test_copies_go_and_readings_stay(store: Store) -> None:
    before = told(store)
    done = retention.apply(store, 30, START + 100 * DAY)
    assert done.payloads == 22
    assert journal.counts(store).payloads == 10
    assert told(store) == before
    assert {one.sightings for one in readings.select(store)} == {1}
    assert (upkeep.integrity(store), sightings.miscounted(store)) == ([], 0)
    rebuild(store)
    assert told(store) == before
    assert retention.preview(store, 30, START + 100 * DAY).payloads == 0


def test_what_is_young_stays(store: Store) -> None:
    """Rule of 30 days on day 35: what came before day 5 may go, where nothing of its reading came since."""
    done = retention.apply(store, 30, START + 35 * DAY)
    assert done.kinds == {"copies": 6, "undecodable": 1, "cuff pressures": 1}
    assert journal.counts(store).payloads == 24


@pytest.mark.parametrize("rebuilt", [False, True])
def test_a_repeat_after_its_copies_went_is_still_a_repeat(store: Store, rebuilt: bool) -> None:
    """A cuff that sends its whole memory again years later: every record is known, none is a reading twice."""
    retention.apply(store, 30, START + 100 * DAY)
    if rebuilt:
        rebuild(store)
    before = told(store)
    for day in range(10):
        send(store, START + 101 * DAY, record(120 + day, START + day * DAY))
    catch_up(store)
    assert told(store) == before
    assert journal.counts(store).repeats == 10
    assert {one.sightings for one in readings.select(store)} == {2}


def test_what_went_is_on_record_and_a_rebuild_can_say_so(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    assert not retention.gone(store)
    monkeypatch.setattr("collector.store.retention.BATCH", 7)
    retention.apply(store, 30, START + 100 * DAY)
    lines = list(audit.changes(store))
    assert {line.what for line in lines} == {retention.GONE}
    assert {line.at for line in lines} == {START + 100 * DAY}
    assert {line.detail["from before"] for line in lines} == {"2031-05-10"}
    assert retention.gone(store) == {"copies": 20, "undecodable": 1, "cuff pressures": 1}
    assert "(20 copies, 1 cuff pressures, 1 undecodable)" in retention.gone_words(retention.gone(store))
    retention.apply(store, 30, START + 101 * DAY)
    assert len(list(audit.changes(store))) == len(lines), "where nothing went, nothing is said"


def test_stopped_halfway_the_record_and_the_journal_agree(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each turn's line is in the turn's own transaction: a power cut between two leaves neither without the other."""
    real, turns = audit.record, []

    def cut(*arguments: object) -> None:
        turns.append(arguments)
        if len(turns) == 3:
            raise KeyboardInterrupt
        real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr("collector.store.retention.BATCH", 4)
    monkeypatch.setattr(audit, "record", cut)
    with pytest.raises(KeyboardInterrupt):
        retention.apply(store, 30, START + 100 * DAY)
    assert journal.counts(store).payloads == 32 - 8
    assert sum(retention.gone(store).values()) == 8
    assert (upkeep.integrity(store), sightings.miscounted(store)) == ([], 0)


def test_nothing_of_what_went_is_left_in_the_file(store: Store) -> None:
    cuff_pressure = record(66)
    upkeep.checkpoint(store)
    assert cuff_pressure in store.path.read_bytes()
    retention.apply(store, 30, START + 100 * DAY)
    upkeep.checkpoint(store)
    assert cuff_pressure not in store.path.read_bytes()
    assert store.scalar("SELECT count(*) FROM thinned") == 22, "a merge brings none of them back"


def test_many_go_in_more_than_one_turn(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.store.retention.BATCH", 3)
    assert retention.apply(store, 30, START + 100 * DAY).payloads == 22
    assert journal.counts(store).payloads == 10


def test_the_daily_job_says_what_went_and_otherwise_nothing(store: Store) -> None:
    """The store's payloads are of 2031: for a rule to find them old, this machine's clock would have to be later."""
    assert "something arrived on 2031" in str(retention.daily(store.path, 30)())


def test_by_a_clock_in_doubt_nothing_is_old(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    send(store, datetime(2021, 3, 4, tzinfo=UTC), b"\x1e\x80")
    catch_up(store)
    monkeypatch.setattr(machine_clock, "believable", lambda: False)
    assert "nothing has set it since the start" in str(retention.daily(store.path, 30)())
    assert journal.counts(store).payloads == 33
    monkeypatch.setattr(machine_clock, "reason_to_doubt", lambda *_: None)
    assert "1 undecodable" in str(retention.daily(store.path, 30)())
    assert journal.counts(store).payloads == 32


moments = st.integers(0, 90).map(lambda seconds: START + timedelta(seconds=seconds)) | st.integers(0, 6).map(
    lambda days: START + days * DAY
)
arrivals = st.lists(st.tuples(moments, st.integers(120, 122), st.booleans()), max_size=25)


@settings(max_examples=30, deadline=None)
@given(arrivals, st.integers(1, 8))
def test_rebuild_gives_the_same_readings_whatever_came(
    tmp_path_factory: pytest.TempPathFactory, came: Sequence[tuple[datetime, int, bool]], days: int
) -> None:
    """Also unstamped records, which are known only by their neighbours, and a rule that cuts between them."""
    with open_store(tmp_path_factory.mktemp("kept") / "quietcuff.db") as opened:
        for at, systolic, stamped in sorted(came):
            send(opened, at, record(systolic, START if stamped else None))
        catch_up(opened)
        rebuild(opened)
        before = told(opened)
        retention.apply(opened, days, START + 8 * DAY)
        assert told(opened) == before
        rebuild(opened)
        assert told(opened) == before
