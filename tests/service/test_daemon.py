"""The service around a radio: retries, one line per trouble, a clean end within five seconds."""

import asyncio
import logging
import os
import socket
import time
from pathlib import Path

import pytest

from collector.radio.errors import RadioUnavailable
from collector.radio.facts import Fact, KnownCuff, ReceivedPayload
from collector.radio.plan import VisitPlan
from collector.radio.port import Sink
from collector.service.jobs import schedule
from collector.service.listen import supervise
from collector.service.listen.log import OneLine
from collector.service.listener_lock import AlreadyListening, listener, only_listener
from collector.systemd_notify import tell_systemd, watchdog_interval


class QuietSink(Sink):
    def __init__(self) -> None:
        self.told: list[tuple[str, str | None]] = []
        self.over = asyncio.Event()

    def known(self) -> tuple[KnownCuff, ...]:
        return ()

    def accepts(self, cuff: str) -> bool:
        return True

    def open_visit(self, cuff: str, source: str, at: object, first: ReceivedPayload | None = None) -> int:
        return 1

    def learn(self, visit: int, fact: Fact) -> None: ...

    def take(self, arrival: ReceivedPayload, visit: int | None) -> None: ...

    def close_visit(self, visit: int, at: object, outcome: str) -> None: ...

    def tell(self, topic: str, text: str | None) -> None:
        self.told.append((topic, text))
        if text is None:
            self.over.set()


class FlakyRadio:
    """Cannot be had at first, then runs until stopped; or ignores the stop altogether."""

    source = "test"

    def __init__(self, failures: int = 0, stubborn: bool = False, error: Exception | None = None) -> None:
        self.progress = time.monotonic()
        self.failures, self.stubborn = failures, stubborn
        self.error = error or RadioUnavailable("no Bluetooth adapter: plug one in")
        self.up = asyncio.Event()
        self.cut_off = False
        self.plans: list[VisitPlan] = []

    async def run(self, sink: Sink, plan: VisitPlan, stop: asyncio.Event) -> None:
        if self.failures:
            self.failures -= 1
            raise self.error
        self.plans.append(plan)
        self.up.set()
        try:
            await (asyncio.Event().wait() if self.stubborn else stop.wait())
        except asyncio.CancelledError:
            self.cut_off = True
            raise


@pytest.fixture(autouse=True)
def no_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervise, "SETTLED_S", 0.01)
    monkeypatch.setattr(supervise, "GRACE_S", 0.05)


async def test_trouble_is_told_once_and_cleared_when_the_radio_is_back(caplog: pytest.LogCaptureFixture) -> None:
    sink, radio, control = QuietSink(), FlakyRadio(failures=5), supervise.RunControl(VisitPlan())
    with caplog.at_level(logging.INFO, "quietcuff"):
        task = asyncio.create_task(supervise.keep_radio_running(radio, sink, control, retry_s=0.001))
        await radio.up.wait()
        await asyncio.wait_for(sink.over.wait(), 5)
        control.end()
        await task
    assert [text for _, text in sink.told] == ["no Bluetooth adapter: plug one in; trying again every 0.001 s", None]
    assert "the radio works again" in caplog.messages


async def test_an_unforeseen_error_is_told_and_not_the_end() -> None:
    sink, radio, control = (
        QuietSink(),
        FlakyRadio(failures=1, error=KeyError("what")),
        supervise.RunControl(VisitPlan()),
    )
    task = asyncio.create_task(supervise.keep_radio_running(radio, sink, control, retry_s=0.001))
    await radio.up.wait()
    control.end()
    await task
    assert "the radio failed: KeyError: 'what'" in str(sink.told[0])


async def test_a_visit_that_does_not_end_is_given_up_after_the_grace() -> None:
    radio, control = FlakyRadio(stubborn=True), supervise.RunControl(VisitPlan())
    task = asyncio.create_task(supervise.keep_radio_running(radio, QuietSink(), control))
    await radio.up.wait()
    control.end()
    await asyncio.wait_for(task, 2)
    assert radio.cut_off


async def test_another_plan_restarts_the_radio_gently() -> None:
    radio, control = FlakyRadio(), supervise.RunControl(VisitPlan())
    task = asyncio.create_task(supervise.keep_radio_running(radio, QuietSink(), control))
    await radio.up.wait()
    radio.up.clear()
    control.restart(VisitPlan(set_clock="always"))
    await asyncio.wait_for(radio.up.wait(), 2)
    assert [plan.set_clock for plan in radio.plans] == ["never", "always"]
    assert not radio.cut_off
    control.end()
    await asyncio.wait_for(task, 2)


async def test_run_tells_systemd_when_ready_and_when_stopping(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "notify"))
        systemd.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "20000")
        monkeypatch.delenv("WATCHDOG_PID", raising=False)
        radio, control = FlakyRadio(), supervise.RunControl(VisitPlan())
        task = asyncio.create_task(supervise.run(radio, QuietSink(), control))
        await radio.up.wait()
        await asyncio.sleep(0.05)
        control.end()
        await asyncio.wait_for(task, 5)
        heard = []
        while True:
            try:
                heard.append(systemd.recv(4096).decode())
            except BlockingIOError:
                break
    assert heard[0].startswith("READY=1")
    assert "WATCHDOG=1" in heard
    assert heard[-1] == "STOPPING=1"


async def test_a_clock_set_back_has_the_recurring_work_scheduled_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else a clock that started in 2099 and was put right would leave backups undone until 2099."""
    went_back, asked = asyncio.Queue[None](), asyncio.Queue[None]()
    monkeypatch.setattr(schedule, "clock_went_back", went_back.get)

    def jobs() -> list[schedule.Job]:
        asked.put_nowait(None)
        return []

    radio, control = FlakyRadio(), supervise.RunControl(VisitPlan())
    task = asyncio.create_task(supervise.run(radio, QuietSink(), control, jobs))
    await asyncio.wait_for(asked.get(), 5)
    await radio.up.wait()
    assert asked.empty()
    for _ in range(2):
        went_back.put_nowait(None)
        await asyncio.wait_for(asked.get(), 5)
    assert radio.plans == [VisitPlan()], "the radio goes on"
    control.end()
    await asyncio.wait_for(task, 5)


async def test_watchdog_is_silent_when_the_radio_hangs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    monkeypatch.setattr(supervise, "tell_systemd", lambda *lines: said.extend(lines))
    monkeypatch.setenv("WATCHDOG_USEC", "2000")
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    radio = FlakyRadio()
    radio.progress = time.monotonic() - 500
    task = asyncio.create_task(supervise.feed_watchdog(radio))
    await asyncio.sleep(0.02)
    assert said == []
    radio.progress = time.monotonic()
    await asyncio.sleep(0.02)
    task.cancel()
    assert "WATCHDOG=1" in said


def test_a_second_listener_is_refused_in_one_line(tmp_path: Path) -> None:
    store = tmp_path / "store.db"
    assert listener(store) is None
    with only_listener(store):
        assert listener(store) == os.getpid()
        with pytest.raises(AlreadyListening, match=rf"process {os.getpid()}.*stop it first") as refused:
            only_listener(store).__enter__()
        assert "\n" not in str(refused.value)
    assert listener(store) is None
    with only_listener(store):
        pass


def test_a_lock_whose_file_was_tidied_away_is_taken_anew(tmp_path: Path) -> None:
    """Seen: a second listener began beside the first, and `check` told that nothing listens."""
    store = tmp_path / "store.db"
    with only_listener(store) as keep:
        (tmp_path / "store.db.lock").unlink()
        assert listener(store) is None
        keep()
        assert listener(store) == os.getpid()
        with pytest.raises(AlreadyListening), only_listener(store):
            pass
        (tmp_path / "store.db.lock").unlink()
        with only_listener(store), pytest.raises(AlreadyListening, match="stop it first"):
            keep()
    assert listener(store) is None


def test_nothing_is_told_where_no_systemd_listens(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not tell_systemd("READY=1")
    monkeypatch.setenv("WATCHDOG_PID", "1")
    assert watchdog_interval() is None


@pytest.mark.parametrize(
    ("said", "pid", "interval"),
    [
        ("60000000", None, 30.0),
        ("60000000", "ours", 30.0),
        ("60000000", "1", None),
        ("0", None, None),
        ("soon", None, None),
        (None, None, None),
    ],
)
def test_signs_of_life_come_twice_in_the_time_that_systemd_waits(
    said: str | None, pid: str | None, interval: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of WATCHDOG_USEC, and only for the process that is meant: sd_watchdog_enabled(3)."""
    for name, value in (("WATCHDOG_USEC", said), ("WATCHDOG_PID", pid)):
        monkeypatch.delenv(name, raising=False)
        if value is not None:
            monkeypatch.setenv(name, str(os.getpid()) if value == "ours" else value)
    assert watchdog_interval() == interval


@pytest.mark.parametrize("journal", [True, False])
def test_a_log_record_is_one_harmless_line(journal: bool) -> None:
    record = logging.LogRecord("quietcuff", logging.WARNING, "x", 1, "two\nlines \x1b[2J here", (), None)
    text = OneLine(journal).format(record)
    assert "\n" not in text
    assert "\x1b" not in text
    assert text.startswith("<4>") is journal
