"""`listen` whole: the daemon's own code over the virtual radio, into a real store."""

import asyncio
import logging
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.radio.errors import NotTaken
from collector.radio.facts import Handles, KnownCuff, Named, ReceivedPayload
from collector.radio.plan import VisitPlan
from collector.radio.port import Sink
from collector.radio.virtual import Behaviour, VirtualCuff, VirtualRadio
from collector.service import demo, machine_clock
from collector.service.config import Config, parse
from collector.service.config.settings import Accept
from collector.service.jobs import schedule
from collector.service.listen.assemble import daily_care, listen
from collector.service.listen.store_sink import StoreSink
from collector.store import conditions, journal, readings
from collector.store.journal import cuffs
from collector.store.opening import open_store
from collector.store.values import Selection
from parsers.measurement import build_measurement, measurement
from parsers.uuids import Uuid

CUFF = "F0:F1:F2:F3:F4:F5"
NOW = datetime(2031, 3, 9, 6, 41, 5, tzinfo=UTC)


def arrival(systolic: int = 128, mark: str | None = None, value: bytes | None = None) -> ReceivedPayload:
    payload = build_measurement(measurement(systolic, 84, stamp=datetime(2031, 3, 9, 7, 41, 5), pulse=66))
    return ReceivedPayload(CUFF, Uuid.BLOOD_PRESSURE_MEASUREMENT, value or payload, NOW, "virtual", True, mark)


async def test_what_the_cuffs_measured_stands_once_in_the_store(tmp_path: Path) -> None:
    store_path, stop = tmp_path / "store.db", asyncio.Event()
    cuff = VirtualCuff(address=CUFF)
    radio = VirtualRadio([cuff])
    new: list[str] = []
    task = asyncio.create_task(listen(store_path, Config(), radio, stop=stop, heard=new.append))
    await radio.listening.wait()
    for minute in range(5):
        cuff.measure(120 + minute, 80, pulse=60, at=datetime.now() - timedelta(minutes=9 - minute))
    await cuff.wake()
    for payload in cuff.measured[-2:]:
        cuff.store(payload)
    await cuff.wake()
    stop.set()
    await asyncio.wait_for(task, 5)
    with open_store(store_path, create=False, read_only=True) as store:
        found = list(readings.select(store, Selection()))
        counts = journal.counts(store)
    assert [reading.systolic for reading in found] == [120, 121, 122, 123, 124]
    assert (counts.payloads, counts.repeats, counts.undecodable, counts.waiting) == (7, 2, 0, 0)
    assert new == [reading.reading_id for reading in found]
    assert {Path(reading.payload).name for reading in found} == {payload.hex() for payload in cuff.measured[:5]}
    assert os.stat(store_path).st_mode & 0o077 == 0


async def test_what_comes_after_the_clock_was_set_is_not_taken_for_unsure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, stop, cuff, at_boot = tmp_path / "store.db", asyncio.Event(), VirtualCuff(address=CUFF), 1000.0
    monkeypatch.setattr(machine_clock, "believable", lambda: at_boot > 1000)
    monkeypatch.setattr(machine_clock, "clock_at_boot", lambda: at_boot)
    radio = VirtualRadio([cuff])
    task = asyncio.create_task(listen(path, Config(), radio, stop=stop))
    await radio.listening.wait()
    for systolic in (120, 130):
        cuff.measure(systolic, 80, pulse=60, at=datetime.now())
        await cuff.wake()
        at_boot = 1_900_000_000.0
    stop.set()
    await asyncio.wait_for(task, 5)
    with open_store(path, create=False, read_only=True) as store:
        assert [clock is None for (clock,) in store.query("SELECT clock_id FROM payload ORDER BY id")] == [False, True]


@pytest.mark.parametrize(("code", "readings_told"), [(4711, [128]), (4712, [])])
async def test_a_cuff_that_wants_its_users_consent_hears_the_configured_code(
    tmp_path: Path, code: int, readings_told: list[int]
) -> None:
    store_path, stop = tmp_path / "store.db", asyncio.Event()
    cuff = VirtualCuff(address=CUFF, behaviour=Behaviour(consent=(2, 4711), lingers_s=0.05, patience_s=5.0))
    radio = VirtualRadio([cuff])
    config = parse(f'[cuffs."{CUFF}"]\nuser = 2\nconsent_code = {code}')
    task = asyncio.create_task(listen(store_path, config, radio, stop=stop))
    await radio.listening.wait()
    cuff.measure(128, 84, at=datetime.now())
    await cuff.wake()
    stop.set()
    await asyncio.wait_for(task, 5)
    with open_store(store_path, create=False, read_only=True) as store:
        assert [reading.systolic for reading in readings.select(store, Selection())] == readings_told


async def test_the_demo_counts_what_it_shows(tmp_path: Path) -> None:
    said: list[str] = []
    collected = await demo.run(tmp_path / "demo.db", Config(), said.append)
    assert collected == demo.Collected(sent=33, payloads=33, repeats=3, readings=30)
    with open_store(tmp_path / "demo.db", create=False, read_only=True) as store:
        found = list(readings.select(store, Selection()))
        assert {cuff.name for cuff in cuffs.every(store)} == {"hallway", "kitchen"}
    assert len(found) == 30
    assert sum(reading.sightings for reading in found) == 33
    live = [reading for reading in found if reading.cuff == demo.KITCHEN]
    assert all(abs(reading.taken_at - datetime.now(UTC)) < timedelta(minutes=2) for reading in live), (
        "the kitchen cuff's seven minutes are taken off"
    )


def test_sink_commits_before_it_interprets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If interpreting fails, the payload is on disk and the next start takes it up."""
    from collector import intake

    def broken(*_: object) -> None:
        raise ZeroDivisionError("a mistake of ours")

    with open_store(tmp_path / "store.db") as store:
        monkeypatch.setattr(intake, "interpret", broken)
        StoreSink(store).take(arrival(), None)
        assert (journal.counts(store).payloads, journal.counts(store).waiting) == (1, 1)
        monkeypatch.undo()
        assert intake.catch_up(store) == 1
        assert [reading.systolic for reading in readings.select(store, Selection())] == [128]


def test_sink_catches_up_at_the_end_of_the_visit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What could not be interpreted for a while, say on a full disk, does not wait for the next start."""
    from collector import intake

    def broken(*_: object) -> None:
        raise OSError("no room")

    with open_store(tmp_path / "store.db") as store:
        sink = StoreSink(store)
        visit = sink.open_visit(CUFF, "virtual", NOW)
        with monkeypatch.context() as full:
            full.setattr(intake, "interpret", broken)
            sink.take(arrival(), visit)
        assert journal.counts(store).waiting == 1
        sink.close_visit(visit, NOW, "cuff left")
        assert [reading.systolic for reading in readings.select(store, Selection())] == [128]


async def test_what_a_fact_builds_on_is_read_before_the_fact(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.db") as store:
        sink = StoreSink(store)
        visit = sink.open_visit(CUFF, "virtual", NOW)
        sink.take(arrival(), visit)
        sink.learn(visit, Named("Cuff"))
        assert sink.known()
        assert journal.counts(store).waiting == 0


def test_sink_refuses_what_is_not_on_disk(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.db") as store:
        store.connection.execute("CREATE TRIGGER full BEFORE INSERT ON payload BEGIN SELECT RAISE(ABORT, 'full'); END")
        with pytest.raises(NotTaken):
            StoreSink(store).take(arrival(), None)


def test_a_store_that_answers_nothing_still_refuses_in_the_agreed_way(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.db") as store:
        sink = StoreSink(store)
    with pytest.raises(NotTaken):  # its connection is closed: not even the cuff's name can be looked up
        sink.take(arrival(), None)


def test_a_frame_seen_again_is_no_second_sighting(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.db") as store:
        sink = StoreSink(store)
        for _ in range(3):
            sink.take(arrival(mark="hci0 1730000000.000000001"), None)
        sink.take(arrival(mark="hci0 1730000007.000000001"), None)
        assert (journal.counts(store).payloads, journal.counts(store).repeats) == (2, 1)


def test_sink_remembers_cuffs_for_the_radio(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.db") as store:
        sink = StoreSink(store)
        visit = sink.open_visit(CUFF, "virtual", NOW)
        sink.learn(visit, Handles({0x0012: 0x2A35}))
        sink.learn(visit, Named("Cuff \x1b[2J"))
        sink.close_visit(visit, NOW, "cuff left")
        known = sink.known()
    assert [(cuff.address, dict(cuff.handles)) for cuff in known] == [(CUFF, {0x0012: 0x2A35})]
    assert isinstance(known[0], KnownCuff)


def test_under_known_a_stranger_is_left_alone_unless_the_door_is_open(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.db") as store:
        sink = StoreSink(store, accept=Accept.KNOWN)
        assert not sink.accepts(CUFF)
        cuffs.open_window(store, datetime.now(UTC) + timedelta(minutes=5))
        assert sink.accepts(CUFF)
        cuffs.open_window(store, datetime.now(UTC) - timedelta(minutes=5))
        assert not sink.accepts(CUFF)
        sink.open_visit(CUFF, "virtual", NOW)
        assert sink.accepts(CUFF)


def test_a_condition_is_told_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with open_store(tmp_path / "store.db") as store, caplog.at_level(logging.INFO, "quietcuff"):
        sink = StoreSink(store)
        for text in ("no adapter", "no adapter", None, None):
            sink.tell("adapter", text)
            assert [condition.text for condition in conditions.current(store)] == ([text] if text else [])
    assert caplog.messages.count("adapter: no adapter") == 1


def test_no_reading_is_in_the_log_at_its_default_level(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with open_store(tmp_path / "store.db") as store, caplog.at_level(logging.INFO, "quietcuff"):
        sink = StoreSink(store)
        visit = sink.open_visit(CUFF, "virtual", NOW)
        sink.take(arrival(183), visit)
        sink.close_visit(visit, NOW, "cuff left")
    assert caplog.messages
    assert not [line for line in caplog.messages if "183" in line or "84" in line or "1e" in line.split()]


def test_daily_care_finds_damage_and_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with open_store(path) as store:
        sink = StoreSink(store)
        for n in range(300):
            sink.take(arrival(value=bytes([0, n % 256, 0, 80, 0, 90, 0]), mark=str(n)), None)
    assert daily_care(path)() == "the store is sound"
    with path.open("r+b") as file:
        file.seek(-3 * 4096, os.SEEK_END)
        file.write(b"\xff" * 4096)
    with pytest.raises(Exception, match=r"damaged|malformed"):
        daily_care(path)()


@contextmanager
def ended(process: "subprocess.Popen[str]") -> Iterator["subprocess.Popen[str]"]:
    """Ended whatever the test comes to: leaving Popen's own context would wait for it for ever."""
    with process:
        try:
            yield process
        finally:
            process.kill()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_listen_ends_cleanly_on_a_signal_and_refuses_a_second(tmp_path: Path, number: signal.Signals) -> None:
    path = tmp_path / "store.db"
    command = [sys.executable, "-m", "collector.cli.main", "--store", str(path), "listen", "--radio", "virtual"]
    with ended(subprocess.Popen(command, stderr=subprocess.PIPE, text=True)) as first:
        assert first.stderr is not None
        while "listening" not in (line := first.stderr.readline()):
            assert line, "it never listened"
        second = subprocess.run(command, capture_output=True, text=True, timeout=30)
        first.send_signal(number)
        rest = first.stderr.read()
        assert first.wait(timeout=10) == 0
    assert second.returncode == 1
    assert second.stderr.count("\n") == 1
    assert f"process {first.pid}" in second.stderr
    assert "Traceback" not in rest + second.stderr


def test_sighup_reads_the_configuration_again_and_survives_a_wrong_one(tmp_path: Path) -> None:
    path, file = tmp_path / "store.db", tmp_path / "quietcuff.toml"
    file.write_text('[radio]\nkind = "virtual"\naccept = "any"\n', "utf-8")
    command = [sys.executable, "-m", "collector.cli.main", "--store", str(path), "--config", str(file), "listen"]
    with ended(subprocess.Popen(command, stderr=subprocess.PIPE, text=True)) as process:
        assert process.stderr is not None

        def until(words: str) -> str:
            while words not in (line := process.stderr.readline()):
                assert line, f"never said: {words}"
            return line

        until("listening")
        file.write_text('[radio]\nkind = "virtual"\naccept = "nobody"\n', "utf-8")
        process.send_signal(signal.SIGHUP)
        assert "accept" in until("the configuration stays as it was")
        file.write_text('[radio]\nkind = "virtual"\naccept = "known"\n', "utf-8")
        process.send_signal(signal.SIGHUP)
        until("the configuration was read again")
        process.send_signal(signal.SIGTERM)
        process.stderr.read()
        assert process.wait(timeout=10) == 0


class StillRadio:
    """Waits, and remembers with what plan and desk."""

    source = "test"

    def __init__(self) -> None:
        self.progress = time.monotonic()
        self.runs: list[tuple[Sink, VisitPlan]] = []
        self.running = asyncio.Event()

    async def run(self, sink: Sink, plan: VisitPlan, stop: asyncio.Event) -> None:
        self.runs.append((sink, plan))
        self.running.set()
        await stop.wait()


async def test_sighup_changes_visits_jobs_notices_and_zone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[dict[str, schedule.Job]] = []
    start = schedule.start

    def noting(jobs: Iterable[schedule.Job]) -> object:
        started.append({job.name: job for job in jobs})
        return start(started[-1].values())

    monkeypatch.setattr(schedule, "start", noting)
    later = parse(
        '[radio]\naccept = "known"\nset_clock = "always"\n[backup]\ndaily = false\n'
        '[retention]\npayloads_days = 9\n[station]\nzone = "Atlantic/Azores"\n'
    )
    radio, stop, path = StillRadio(), asyncio.Event(), tmp_path / "store.db"
    first = parse('[station]\nzone = "Europe/Lisbon"')
    task = asyncio.create_task(listen(path, first, radio, stop, reread=lambda: later))
    await radio.running.wait()
    (sink, _), *_ = radio.runs
    assert sink.accepts(CUFF)
    radio.running.clear()
    os.kill(os.getpid(), signal.SIGHUP)
    await asyncio.wait_for(radio.running.wait(), 10)
    assert [plan.set_clock for _, plan in radio.runs] == ["never", "always"]
    assert [plan.zone for _, plan in radio.runs] == ["Europe/Lisbon", "Atlantic/Azores"]
    assert not sink.accepts(CUFF)
    before, after = started
    assert set(before) - set(after) == {"daily backup"}
    assert set(after) - set(before) == {"retention"}
    assert after["notices"].work.config is later  # type: ignore[attr-defined]
    stop.set()
    await asyncio.wait_for(task, 10)
    with open_store(path, read_only=True) as store:
        zones = [name for (name,) in store.query("SELECT zone FROM station_zone ORDER BY since").fetchall()]
    assert zones[-2:] == ["Europe/Lisbon", "Atlantic/Azores"]
