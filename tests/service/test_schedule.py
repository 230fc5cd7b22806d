"""Recurring work: beside the radio, by this machine's clock, and a failure costs nothing but its turn."""

import asyncio
import logging
import threading
import time as clock
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise

import pytest

from collector.service.jobs import schedule
from collector.service.jobs.schedule import Job


@pytest.fixture
def at_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """This machine stands there."""

    def stand(zone: str) -> None:
        monkeypatch.setenv("TZ", zone)
        clock.tzset()

    yield stand
    monkeypatch.undo()
    clock.tzset()


async def test_a_job_that_fails_is_one_line_and_comes_again(caplog: pytest.LogCaptureFixture) -> None:
    turns: asyncio.Queue[int] = asyncio.Queue()
    loop = asyncio.get_running_loop()

    def work() -> str:
        loop.call_soon_threadsafe(turns.put_nowait, 1)
        raise OSError("the stick is gone\nor so")

    with caplog.at_level(logging.INFO, "quietcuff"):
        scheduler = schedule.start([Job("daily backup", work, every_s=0.05)])
        for _ in range(3):
            await asyncio.wait_for(turns.get(), 30)
        scheduler.shutdown()
    lines = [record for record in caplog.records if record.name == "quietcuff.schedule"]
    assert len(lines) >= 2
    assert {(line.levelname, line.getMessage()) for line in lines} == {
        ("ERROR", "daily backup failed: the stick is gone\nor so")
    }
    assert all(line.exc_info is None for line in lines), "no traceback"


@pytest.mark.parametrize(("said", "line"), [("3 pages", ["care: 3 pages"]), (None, [])])
async def test_what_a_job_says_is_logged_and_silence_is_not(
    said: str | None, line: list[str], caplog: pytest.LogCaptureFixture
) -> None:
    done = asyncio.Event()
    loop = asyncio.get_running_loop()

    def work() -> str | None:
        loop.call_soon_threadsafe(done.set)
        return said

    with caplog.at_level(logging.INFO, "quietcuff"):
        scheduler = schedule.start([Job("care", work, every_s=0.05)])
        await asyncio.wait_for(done.wait(), 30)
        scheduler.pause()
        await asyncio.sleep(0.1)
        scheduler.shutdown()
    assert caplog.messages[:1] == line


async def test_work_that_is_under_way_when_the_schedule_ends_is_no_error(caplog: pytest.LogCaptureFixture) -> None:
    begun, may_end = asyncio.Event(), threading.Event()
    loop = asyncio.get_running_loop()

    def work() -> str:
        loop.call_soon_threadsafe(begun.set)
        may_end.wait(30)
        return "done"

    with caplog.at_level(logging.INFO):
        scheduler = schedule.start([Job("care", work, every_s=0.05)])
        await asyncio.wait_for(begun.wait(), 30)
        scheduler.shutdown(wait=False)
        await asyncio.sleep(0)
        may_end.set()
        await loop.shutdown_default_executor()
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR] == []
    assert "care: done" in caplog.messages


async def test_a_daily_job_is_due_at_its_hour_of_this_machines_clock_and_late_rather_than_never() -> None:
    scheduler = schedule.start([Job("daily backup", lambda: None, daily_at="03:15")])
    job = scheduler.get_job("daily backup")
    due = job.next_run_time.astimezone()
    scheduler.shutdown()
    assert (due.hour, due.minute) == (3, 15)
    assert timedelta() < due - datetime.now(UTC) <= timedelta(days=1, hours=1)
    assert job.misfire_grace_time is None, "a machine that was asleep at the hour makes up for it on waking"
    assert job.coalesce, "once, however many turns it slept through"


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/Santiago", "Australia/Lord_Howe", "Africa/Cairo"])
def test_a_daily_job_has_one_turn_a_day_also_where_the_clocks_change(zone: str, at_zone: Callable[[str], None]) -> None:
    """Seen: for a time before the change, no backup on the day after the clocks went forward; two in an hour that came
    twice."""
    at_zone(zone)
    for local in (time(hour, minute) for hour in range(4) for minute in (0, 30)):
        now, turns = datetime(2031, 1, 1, 12, tzinfo=UTC), []
        while now.year < 2032:
            turns.append(now := schedule.next_turn(local, now))
        assert {after - before for before, after in pairwise(turns)} <= {
            timedelta(hours=hours) for hours in (23, 23.5, 24, 24.5, 25)
        }
        assert [turn for turn in turns if turn.astimezone().time() != local][1:] == []  # a time that was left out


@pytest.mark.parametrize("job", [Job("relay", lambda: None, every_s=60), Job("backup", lambda: None, daily_at="03:15")])
async def test_a_clock_that_jumps_from_1970_to_now_makes_one_turn_of_all_that_were_missed(job: Job) -> None:
    """The library asks for the next turn until one lies ahead, and keeps them all: 29 million of a minute's job."""
    scheduler = schedule.start([job])
    trigger = scheduler.get_job(job.name).trigger
    scheduler.shutdown()
    now = datetime(2031, 3, 4, 12, tzinfo=UTC)
    due, turns = datetime(1970, 1, 1, 0, 5, tzinfo=UTC), 0
    while due <= now:
        due = trigger.get_next_fire_time(due, now)
        turns += 1
        assert turns < 10
    assert now < due <= now + timedelta(days=1, hours=1)


async def test_an_hour_missed_is_made_up_for_in_step() -> None:
    scheduler = schedule.start([Job("notices", lambda: None, every_s=900)])
    trigger = scheduler.get_job("notices").trigger
    scheduler.shutdown()
    due = datetime(2031, 3, 4, 12, tzinfo=UTC)
    assert trigger.get_next_fire_time(due, due + timedelta(minutes=61)) == due + timedelta(minutes=15)


@pytest.mark.parametrize(("step", "back"), [(-61.0, True), (-59.0, False), (+86400.0, False)])
async def test_a_clock_set_back_is_noticed_a_small_step_or_a_sleep_is_not(
    step: float, back: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    ahead = 1e9
    monkeypatch.setattr(schedule, "clock_at_boot", lambda: ahead)
    monkeypatch.setattr(schedule, "LOOK_S", 0.0)
    noticing = asyncio.create_task(schedule.clock_went_back())
    for _ in range(10):
        await asyncio.sleep(0)
    assert not noticing.done()
    ahead += step
    for _ in range(10):
        await asyncio.sleep(0)
    assert noticing.done() is back
    noticing.cancel()
