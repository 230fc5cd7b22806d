"""Whether this machine's clock can be believed, and what happens to arrivals once it can."""

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.radio.facts import ReceivedPayload, ValueRead
from collector.service import machine_clock
from collector.service.listen import station_clock
from collector.service.listen.store_sink import StoreSink
from collector.store import readings
from collector.store.opening import open_store
from collector.store.values import Selection
from parsers.measurement import build_measurement, measurement
from parsers.stamps import build_current_time
from parsers.uuids import Uuid

LATER = 1_900_000_000.0
CUFF = "F0:F1:F2:F3:F4:F5"


def machine(root: Path, board: bool, keeps_time: bool) -> Path:
    if board:
        (root / "sys/firmware/devicetree/base").mkdir(parents=True)
    if keeps_time:
        (root / "sys/class/rtc/rtc0").mkdir(parents=True)
    return root


@pytest.mark.parametrize(
    ("board", "keeps_time", "synchronised", "believed"),
    [
        (True, False, False, False),  # a small board right after its start, without network
        (True, False, True, True),
        (True, True, False, True),  # a board with a battery-backed clock
        (False, False, False, True),  # a virtual machine: its host keeps the time
        (False, True, False, True),
    ],
)
def test_a_board_without_a_clock_is_believed_once_the_network_told_it_the_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, board: bool, keeps_time: bool, synchronised: bool, believed: bool
) -> None:
    monkeypatch.setattr(machine_clock, "synchronised", lambda: synchronised)
    assert machine_clock.believable(LATER, machine(tmp_path, board, keeps_time)) is believed


def test_a_board_is_believed_still_when_its_network_is_gone_for_a_day(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The kernel calls the clock unsynchronised again; each arrival was marked, and nothing could be lent."""
    monkeypatch.setattr(machine_clock, "synchronised", lambda: False)
    board = machine(tmp_path, True, False)
    (board / "run/systemd/timesync").mkdir(parents=True)
    assert not machine_clock.believable(LATER, board)
    (board / "run/systemd/timesync/synchronized").touch()
    assert machine_clock.believable(LATER, board)
    assert not machine_clock.believable(12.0, board)


def test_1970_is_never_believed(tmp_path: Path) -> None:
    assert not machine_clock.believable(12.0, machine(tmp_path, False, True))


def test_asking_the_kernel_gives_an_answer() -> None:
    assert machine_clock.synchronised() in (True, False)
    assert len(machine_clock.boot_id()) == 36
    assert abs(machine_clock.clock_at_boot() - machine_clock.clock_at_boot()) < 1


def test_arrivals_of_1970_are_marked_and_put_right(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The machine starts in 1970, a record without stamp arrives, then the network tells the time."""
    believed = False
    boot = time.time() - 1000
    monkeypatch.setattr(machine_clock, "believable", lambda: believed)
    monkeypatch.setattr(machine_clock, "clock_at_boot", lambda: boot if believed else 0.0)
    payload = build_measurement(measurement(131, 82))
    with open_store(tmp_path / "store.db") as store:
        clock, sink = station_clock.StationClock(store), StoreSink(store)
        assert "not set by the network" in (clock.check() or "")
        at_1970 = datetime.fromtimestamp(600, UTC)
        sink.take(
            ReceivedPayload("F0:F1:F2:F3:F4:F5", Uuid.BLOOD_PRESSURE_MEASUREMENT, payload, at_1970, "virtual"), None
        )
        (before,) = readings.select(store, Selection())
        assert before.taken_at.year == 1970
        assert before.marks
        believed = True
        assert clock.check() is None
        (after,) = readings.select(store, Selection())
    assert abs(after.taken_at.timestamp() - (boot + 600)) < 2
    assert after.reading_id == before.reading_id
    assert after.marks == ()


SENT = datetime(2031, 3, 25, 10, tzinfo=UTC)


@pytest.mark.parametrize("by_network", [True, False])
def test_what_came_while_the_clock_stood_days_back_is_put_right_once_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, by_network: bool
) -> None:
    """Seen: a clock three days slow took three days off a cuff's readings, for sure, and they became those of whoever
    had the cuff before."""
    error, synchronised = timedelta(0), False
    shown = lambda true: true + error  # noqa: E731
    true = SENT - timedelta(days=1)
    monkeypatch.setattr(machine_clock, "believable", lambda: True)
    monkeypatch.setattr(machine_clock, "set_by_network", lambda: synchronised)
    monkeypatch.setattr(machine_clock, "now", lambda: shown(true))
    monkeypatch.setattr(machine_clock, "clock_at_boot", lambda: shown(SENT - timedelta(days=9)).timestamp())
    with open_store(tmp_path / "store.db") as store:
        clock, sink = station_clock.StationClock(store), StoreSink(store)
        assert clock.check() is None

        def visit(taken: datetime) -> None:
            """By a cuff whose own clock is right."""
            number = sink.open_visit(CUFF, "virtual", shown(true))
            sink.learn(number, ValueRead(Uuid.CURRENT_TIME, build_current_time(true.replace(tzinfo=None)), shown(true)))
            value = build_measurement(measurement(131, 82, stamp=taken.replace(tzinfo=None)))
            sink.take(ReceivedPayload(CUFF, Uuid.BLOOD_PRESSURE_MEASUREMENT, value, shown(true), "virtual"), number)
            sink.close_visit(number, shown(true), "cuff left")

        error = timedelta(days=1703)
        sink.close_visit(sink.open_visit(CUFF, "virtual", shown(true)), shown(true), "cuff left")
        sink.take(ReceivedPayload(CUFF, Uuid.BLOOD_PRESSURE_MEASUREMENT, b"far ahead", shown(true), "virtual"), None)
        error = timedelta(0)
        assert clock.check() is None  # what was once dated years ahead says nothing
        visit(true - timedelta(hours=1))
        error, true = timedelta(days=-3), SENT
        said = clock.check() or ""
        assert "was set back behind what arrived on 2031-03-24 10:00 UTC" in said
        assert "or has caught up: leave the machine on until then" in said
        visit(SENT - timedelta(hours=2))
        doubted = next(one for one in readings.select(store) if one.marks)
        assert (doubted.taken_uncertainty_s, doubted.marks) == (None, ("station clock unsure",))
        error, synchronised = timedelta(0), by_network
        assert clock.check() is None
        assert [one.taken_at for one in readings.select(store)] == [
            SENT - timedelta(days=1, hours=1),
            SENT - timedelta(hours=2),
        ]
        assert not any(one.marks for one in readings.select(store))
        error = timedelta(days=-3)  # and what the network says is believed
        assert (clock.check() is None) is by_network


@pytest.mark.parametrize(
    ("now", "newest", "words"),
    [
        (datetime(1970, 1, 2, tzinfo=UTC), None, "nothing has set it"),
        (datetime(2031, 3, 4, 11, tzinfo=UTC), datetime(2031, 3, 4, 12, tzinfo=UTC), "arrived on 2031-03-04 12:00"),
        (datetime(2041, 3, 4, tzinfo=UTC), datetime(2031, 3, 4, tzinfo=UTC), "years after the newest"),
        (datetime(2031, 3, 5, tzinfo=UTC), datetime(2031, 3, 4, tzinfo=UTC), None),
    ],
)
def test_what_a_store_knows_speaks_against_a_clock(
    now: datetime, newest: datetime | None, words: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(machine_clock, "believable", lambda: now.year > 2000)
    doubt = machine_clock.reason_to_doubt(now, newest)
    assert (doubt is None) if words is None else (words in str(doubt))


def test_what_arrived_under_a_clock_that_ran_ahead_does_not_speak_against_the_networks(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now, newest = datetime(2031, 3, 4, 12, tzinfo=UTC), datetime(2036, 2, 7, tzinfo=UTC)
    monkeypatch.setattr(machine_clock, "believable", lambda: True)
    assert "arrived on 2036-02-07" in str(machine_clock.reason_to_doubt(now, newest))
    monkeypatch.setattr(machine_clock, "set_by_network", lambda: True)
    assert machine_clock.reason_to_doubt(now, newest) is None
    assert machine_clock.reason_to_doubt(datetime(1970, 1, 2, tzinfo=UTC), newest)


def test_what_came_after_the_network_set_the_clock_and_before_anybody_looked_keeps_its_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen: a board that started 20 days back, set by the network while a cuff sent: the reading was 20 days ahead, for
    sure and for good."""
    boot = time.time() - 300
    shown = boot - timedelta(days=20).total_seconds()
    monkeypatch.setattr(machine_clock, "believable", lambda: shown == boot)
    monkeypatch.setattr(machine_clock, "clock_at_boot", lambda: shown)
    with open_store(tmp_path / "store.db") as store:
        clock = station_clock.StationClock(store)
        sink = StoreSink(store, before_dating=clock.before_dating)
        clock.check()

        def visit(since_boot_s: int) -> None:
            """By a cuff whose own clock is right, 60 s after the measurement."""
            true, at = (datetime.fromtimestamp(base + since_boot_s, UTC) for base in (boot, shown))
            number = sink.open_visit(CUFF, "virtual", at)
            sink.learn(number, ValueRead(Uuid.CURRENT_TIME, build_current_time(true.replace(tzinfo=None)), at))
            taken = (true - timedelta(minutes=1)).replace(tzinfo=None, microsecond=0)
            value = build_measurement(measurement(131, 82, stamp=taken))
            sink.take(ReceivedPayload(CUFF, Uuid.BLOOD_PRESSURE_MEASUREMENT, value, at, "virtual"), number)
            sink.close_visit(number, at, "cuff left")

        visit(120)
        shown = boot
        visit(290)
        assert clock.check() is None
        for one, since_boot_s in zip(readings.select(store), (60, 230), strict=True):
            assert abs(one.taken_at.timestamp() - boot - since_boot_s) < 3
            assert abs(one.received_at.timestamp() - boot - since_boot_s - 60) < 3
            assert one.marks == ()


class KeptClock:
    """A machine's clock that runs while it is off, nine days after its start; off by `error`."""

    def __init__(self) -> None:
        self.error, self.network = timedelta(0), False

    def now(self) -> datetime:
        return SENT + self.error


@pytest.fixture
def kept(monkeypatch: pytest.MonkeyPatch) -> KeptClock:
    made = KeptClock()
    monkeypatch.setattr(machine_clock, "believable", lambda: True)
    monkeypatch.setattr(machine_clock, "set_by_network", lambda: made.network)
    monkeypatch.setattr(machine_clock, "now", made.now)
    monkeypatch.setattr(machine_clock, "clock_at_boot", lambda: (made.now() - timedelta(days=9)).timestamp())
    return made


def test_what_came_under_a_clock_years_ahead_is_put_right_once_it_is(tmp_path: Path, kept: KeptClock) -> None:
    """Seen in stories: without a network a clock of 2041 dated a cuff's readings ten years ahead, for sure."""
    with open_store(tmp_path / "store.db") as store:
        clock = station_clock.StationClock(store)
        sink = StoreSink(store, before_dating=clock.before_dating)
        assert clock.check() is None
        for systolic in (130, 131):
            value = build_measurement(measurement(systolic, 82))
            sink.take(ReceivedPayload(CUFF, Uuid.BLOOD_PRESSURE_MEASUREMENT, value, kept.now(), "virtual"), None)
            kept.error = timedelta(days=3652)
        assert "shows 2041-03-24, years after the newest that arrived (2031-03-25 UTC)" in (clock.check() or "")
        assert {one.systolic: one.marks for one in readings.select(store)} == {130: (), 131: ("station clock unsure",)}
        kept.error = timedelta(0)
        assert clock.check() is None
        assert [(one.taken_at, one.marks) for one in readings.select(store)] == [(SENT, ())] * 2


def test_a_clock_that_the_network_called_right_is_not_years_ahead_when_the_network_is_gone(
    tmp_path: Path, kept: KeptClock
) -> None:
    """A station that lay in a drawer for years: what came since was marked as soon as the network was gone."""
    with open_store(tmp_path / "store.db") as store:
        value = build_measurement(measurement(131, 82))
        StoreSink(store).take(ReceivedPayload(CUFF, Uuid.BLOOD_PRESSURE_MEASUREMENT, value, SENT, "virtual"), None)
        kept.error, kept.network = timedelta(days=1000), True
        clock = station_clock.StationClock(store)
        assert clock.check() is None
        kept.network = False
        assert clock.check() is None


def test_what_comes_right_after_a_clock_was_set_back_is_marked_before_anybody_looked(
    tmp_path: Path, kept: KeptClock
) -> None:
    with open_store(tmp_path / "store.db") as store:
        clock = station_clock.StationClock(store)
        sink = StoreSink(store, before_dating=clock.before_dating)
        assert clock.check() is None
        for minutes in (-1, 1):
            number = sink.open_visit(CUFF, "virtual", kept.now())
            value = build_measurement(measurement(131 + minutes, 82))
            at = kept.now() + timedelta(minutes=minutes)
            sink.take(ReceivedPayload(CUFF, Uuid.BLOOD_PRESSURE_MEASUREMENT, value, at, "virtual"), number)
            sink.close_visit(number, at, "cuff left")
            kept.error = timedelta(days=-3)
        assert {one.systolic: one.marks for one in readings.select(store)} == {130: (), 132: ("station clock unsure",)}
