"""Each notice once until it is over, through each channel by itself, across restarts; nothing personal unasked."""

import json
import logging
import sys
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from one_reading import one_reading

from collector.intake.owner import assign_cuff
from collector.intake.pipeline import catch_up, settle
from collector.service.config import Config, parse
from collector.service.config.settings import NoticesSettings
from collector.service.notices import situation
from collector.service.notices.channels import ChannelError, CommandChannel, LogChannel
from collector.service.notices.notice import CAUTION, Notice
from collector.service.notices.rounds import Rounds, notices_now, tell
from collector.service.notices.sent import OVER_AFTER, SentNotices
from collector.store import conditions, journal, people
from collector.store.journal import cuffs, visits
from collector.store.opening import open_store
from collector.store.people import slot_spans
from collector.store.readings import strikes
from collector.store.values import BOND_NOT_CONFIRMED, STANDING
from parsers.measurement import build_measurement, measurement
from parsers.pressure import Unit
from parsers.stamps import DateTime, build_date_time

NOW = datetime(2031, 3, 4, 12, tzinfo=UTC)
KITCHEN = "C0:FF:EE:00:00:01"
LOW = Notice("battery", KITCHEN, "kitchen: its battery is at 5 %", "put new batteries in")
HIGH = Notice(
    "very high",
    KITCHEN,
    "a very high reading came",
    "measure again",
    "a very high reading came (Ada): 199/120",
    {"person": "Ada", "systolic": "199"},
)


class Ear:
    """A channel that remembers, or fails on demand."""

    def __init__(self, name: str = "ear") -> None:
        self.name = name
        self.heard: list[str] = []
        self.deaf = False

    def begins(self, notice: Notice, at: datetime) -> None:
        self._take("+" + notice.key)

    def over(self, key: str, at: datetime) -> None:
        self._take("-" + key)

    def _take(self, word: str) -> None:
        if self.deaf:
            raise ChannelError(f"{self.name} is deaf")
        self.heard.append(word)


@pytest.fixture
def sent(tmp_path: Path) -> SentNotices:
    return SentNotices.beside(tmp_path / "quietcuff.db")


def test_once_until_it_is_over(sent: SentNotices) -> None:
    ear = Ear()
    for minutes in range(0, 120, 15):
        tell([LOW], [ear], sent, NOW + timedelta(minutes=minutes))
    assert ear.heard == [f"+battery/{KITCHEN}"]
    for minutes in range(120, 240, 15):
        tell([], [ear], sent, NOW + timedelta(minutes=minutes))
    assert ear.heard == [f"+battery/{KITCHEN}", f"-battery/{KITCHEN}"]
    tell([LOW], [ear], sent, NOW + timedelta(days=1))
    assert ear.heard[-1] == f"+battery/{KITCHEN}"


def test_what_comes_and_goes_within_the_hour_is_one_notice(sent: SentNotices) -> None:
    ear = Ear()
    for number in range(40):
        tell([LOW] if number % 2 else [], [ear], sent, NOW + number * timedelta(minutes=15))
    assert ear.heard == [f"+battery/{KITCHEN}"]


def test_a_restart_repeats_nothing(sent: SentNotices) -> None:
    first, second = Ear(), Ear()
    tell([LOW], [first], sent, NOW)
    tell([LOW, HIGH], [second], SentNotices(sent.path), NOW + timedelta(minutes=1))
    assert second.heard == [f"+very high/{KITCHEN}"]


def test_the_file_changes_only_when_something_does(sent: SentNotices) -> None:
    tell([LOW], [Ear()], sent, NOW)
    sent.path.unlink()
    tell([LOW], [Ear()], sent, NOW + timedelta(minutes=15))
    assert not sent.path.exists()


def test_a_damaged_file_costs_a_repetition_and_nothing_else(sent: SentNotices) -> None:
    sent.path.write_text('{"ear": {"battery')
    ear = Ear()
    tell([LOW], [ear], SentNotices(sent.path), NOW)
    assert ear.heard == [f"+battery/{KITCHEN}"]


def test_where_nothing_can_be_written_memory_serves(tmp_path: Path) -> None:
    sent = SentNotices(tmp_path / "gone" / "file")
    ear = Ear()
    for _ in range(3):
        tell([LOW], [ear], sent, NOW)
    assert ear.heard == [f"+battery/{KITCHEN}"]


def test_a_deaf_channel_is_told_again_and_stops_no_other(sent: SentNotices) -> None:
    deaf, other = Ear("deaf"), Ear("other")
    deaf.deaf = True
    assert tell([LOW, HIGH], [deaf, other], sent, NOW) == ["a notice did not get through: deaf is deaf"]
    assert len(other.heard) == 2
    deaf.deaf = False
    assert tell([LOW, HIGH], [deaf, other], sent, NOW + timedelta(minutes=15)) == []
    assert len(deaf.heard) == len(other.heard) == 2


def test_the_clock_going_back_ends_nothing_early_for_ever(sent: SentNotices) -> None:
    ear = Ear()
    tell([LOW], [ear], sent, NOW)
    tell([], [ear], sent, NOW)
    tell([], [ear], sent, NOW - timedelta(days=20000))  # a machine without clock starts in 1970
    assert ear.heard[-1] == f"-battery/{KITCHEN}"


def test_the_log_holds_nothing_personal(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "quietcuff.notices"):
        LogChannel().begins(HIGH, NOW)
    assert "a very high reading came" in caplog.text
    assert "Ada" not in caplog.text
    assert "199" not in caplog.text


def program(tmp_path: Path, body: str) -> list[str]:
    file = tmp_path / "hook.py"
    file.write_text(f"import json, os, sys, time\nout = {str(tmp_path / 'heard')!r}\n{body}\n")
    return [sys.executable, str(file), "$(touch pwned); it's"]


@pytest.mark.parametrize("personal", [False, True])
def test_a_program_gets_json_on_its_input(tmp_path: Path, personal: bool) -> None:
    argv = program(tmp_path, "open(out, 'a').write(json.dumps([sys.argv[1:], json.load(sys.stdin)]) + '\\n')")
    channel = CommandChannel(argv, 30, personal)
    channel.begins(HIGH, NOW)
    channel.over(HIGH.key, NOW)
    (arguments, begins), (_, over) = map(json.loads, (tmp_path / "heard").read_text().splitlines())
    assert arguments == ["$(touch pwned); it's"], "no shell has looked at it"
    assert begins["event"] == "begins"
    assert begins["topic"] == over["topic"] == "very high"
    assert begins["subject"] == over["subject"] == KITCHEN
    assert begins["caution"] == CAUTION
    assert ("Ada" in json.dumps(begins)) is personal
    assert over["event"] == "over"


def test_a_program_that_fails_says_why(tmp_path: Path) -> None:
    argv = program(tmp_path, "sys.stdin.read(); sys.exit('no route to the neighbour')")
    with pytest.raises(ChannelError, match="code 1: no route to the neighbour"):
        CommandChannel(argv, 30, False).begins(LOW, NOW)


def test_a_program_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ChannelError, match="no such file"):
        CommandChannel([str(tmp_path / "none")], 5, False).begins(LOW, NOW)


def test_a_program_that_hangs_is_stopped_with_its_children(tmp_path: Path) -> None:
    """The child shares our pipe: unless it is stopped too, waiting for the pipe's end would never return."""
    sleep = "import time; time.sleep(600)"
    argv = program(tmp_path, f"import subprocess\nsubprocess.Popen([sys.executable, '-c', {sleep!r}])\n{sleep}")
    with pytest.raises(ChannelError, match="did not end within 1 s"):
        CommandChannel(argv, 1, False).begins(LOW, NOW)


def test_a_program_that_reads_nothing_is_fine(tmp_path: Path) -> None:
    CommandChannel(program(tmp_path, ""), 30, False).begins(LOW, NOW)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """The cuff 'kitchen': 30 minutes ahead, battery at 9 %, 201/118 taken just now by slot 1."""
    path = tmp_path / "quietcuff.db"
    with open_store(path) as opened:
        visit = visits.open_visit(opened, KITCHEN, "virtual", NOW)
        ahead = DateTime.of((NOW + timedelta(minutes=30)).replace(tzinfo=None))
        visits.learn_value(opened, visit, 0x2A08, build_date_time(ahead), NOW)
        visits.learn_value(opened, visit, 0x2A19, b"\x09", NOW)
        cuffs.name(opened, KITCHEN, "kitchen", NOW)
        journal.append(
            opened,
            cuff=KITCHEN,
            characteristic=0x2A35,
            source="virtual",
            visit=visit,
            arrived_at=NOW,
            value=build_measurement(measurement(201, 118, 140, stamp=ahead, pulse=80, user_id=1)),
        )
        visits.close_visit(opened, visit, NOW, "cuff left")
        catch_up(opened)
        settle(opened, visit)
    return path


def config(**tables: str) -> Config:
    text = "\n".join(f"[{name}]\n{keys}" for name, keys in ({"station": 'zone = "UTC"'} | tables).items())
    return parse(text)


def test_the_situation_is_found_in_the_store(store: Path) -> None:
    with open_store(store, read_only=True) as opened:
        found = situation.situation_now(opened, config(), NOW + timedelta(minutes=1))
        (cuff,) = found.cuffs
        assert (cuff.name, cuff.readings, cuff.battery, cuff.clock_ahead_s) == ("kitchen", 1, 9, 1800.0)
        (reading,) = found.recent
        assert (reading.systolic, reading.diastolic, reading.slot) == (201, 118, 1)
        assert found.since == NOW
        assert found.folders
        topics = {notice.topic for notice in notices_now(opened, config(), NOW + timedelta(minutes=1))}
        assert topics - {"disk"} == {"very high", "battery", "clock"}
        later = {notice.topic for notice in notices_now(opened, config(), NOW + timedelta(days=15))}
        assert later - {"disk"} == {"battery", "clock", "silent", "backup late"}


def test_a_very_high_reading_is_told_by_a_clock_that_is_years_ahead(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What comes under such a clock has the cuff's own time: years ago by it. One of last month is no news to a board
    whose clock was not set yet."""
    monkeypatch.setattr(situation.machine_clock, "set_by_network", lambda: False)
    with open_store(store, read_only=True) as opened:
        ahead = {notice.topic for notice in notices_now(opened, config(), NOW + timedelta(days=3652))}
        monkeypatch.setattr(situation.machine_clock, "believable", lambda: False)
        starting = {notice.topic for notice in notices_now(opened, config(), NOW + timedelta(days=30))}
    assert ahead - {"disk"} == {"very high", "battery", "clock"}
    assert starting - {"disk", "silent"} == {"battery", "clock"}


def test_what_is_news_is_in_mmhg_and_measured(store: Path) -> None:
    """25.0/16.0 kPa are 187.5/120.0 mmHg. A value that no measurement can mean is no news."""
    with open_store(store) as opened:
        visit = visits.open_visit(opened, KITCHEN, "virtual", NOW)
        for number, (pressures, unit) in enumerate(((("25.0", "16.0"), Unit.KPA), ((290, 80), Unit.MMHG)), 1):
            at = NOW + timedelta(minutes=number)
            ahead = DateTime.of((at + timedelta(minutes=30)).replace(tzinfo=None))
            value = build_measurement(measurement(*pressures, unit=unit, stamp=ahead, user_id=1))
            journal.append(
                opened, cuff=KITCHEN, characteristic=0x2A35, source="virtual", visit=visit, arrived_at=at, value=value
            )
        visits.close_visit(opened, visit, NOW + timedelta(minutes=3), "cuff left")
        catch_up(opened)
        settle(opened, visit)
        found = situation.situation_now(opened, config(), NOW + timedelta(minutes=5)).recent
    assert [(round(one.systolic or 0, 1), round(one.diastolic or 0, 1)) for one in found] == [
        (201, 118),
        (Decimal("187.5"), Decimal("120.0")),
    ]


def test_what_came_over_a_bond_that_nobody_confirmed_is_told_apart(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    marked = one_reading(marks=(BOND_NOT_CONFIRMED,), systolic=Decimal(190))
    monkeypatch.setattr(situation.readings, "select", lambda store, selection: iter([marked]))
    with open_store(store, read_only=True) as opened:
        (reading,) = situation.situation_now(opened, config(), NOW).recent
    assert reading.unconfirmed


def test_what_is_struck_out_is_no_news_and_fills_no_series(store: Path) -> None:
    with open_store(store) as opened:
        people.add(opened, "Ada", NOW - timedelta(days=3))
        slot_spans.add(opened, "Ada", KITCHEN, 1, NOW - timedelta(days=3))
        assign_cuff(opened, cuffs.row_of(opened, KITCHEN))
        people.add(opened, "Ben", NOW - timedelta(days=3))
        wanted = config(**{"people.Ada": 'series_from = "2031-03-04"\nmorning = ["04:00", "13:00"]'})
        tomorrow = NOW + timedelta(hours=20)
        before = situation.situation_now(opened, wanted, tomorrow)
        assert ([one.person for one in before.recent], before.series[0].taken) == (["Ada"], 1)
        bens = config(**{"people.Ben": 'series_from = "2031-03-04"\nmorning = ["04:00", "13:00"]'})
        assert [one.taken for one in situation.situation_now(opened, bens, tomorrow).series] == [0], "nothing is his"
        strikes.strike(opened, before.recent[0].reading_id, NOW)
        after = situation.situation_now(opened, wanted, tomorrow)
        assert (after.recent, after.series[0].taken) == ((), 0)
        strikes.undo(opened, before.recent[0].reading_id, NOW)
        strikes.strike(opened, before.recent[0].reading_id, NOW, STANDING)
        standing = situation.situation_now(opened, wanted, tomorrow)
        assert (len(standing.recent), standing.series[0].taken) == (1, 0), "as high as it is, and no part of the plan"


def test_a_clock_that_was_set_since_is_right(store: Path) -> None:
    with open_store(store) as opened:
        visits.learn_clock_set(opened, 1, 0x2A08, b"\x00" * 7, NOW + timedelta(seconds=1), error=0x80)
        assert situation.situation_now(opened, config(), NOW).cuffs[0].clock_ahead_s == 1800.0
        visits.learn_clock_set(opened, 1, 0x2A08, b"\x00" * 7, NOW + timedelta(seconds=2))
        assert situation.situation_now(opened, config(), NOW).cuffs[0].clock_ahead_s is None


def test_a_round_from_store_to_program(store: Path, tmp_path: Path) -> None:
    argv = program(tmp_path, "open(out, 'a').write(sys.stdin.read())")
    wanted = config(notices=f"command = {json.dumps(argv)}\ndisk_free_mb = 0\nvery_high = false")
    rounds = Rounds(store, wanted)
    assert rounds() is None
    heard = [json.loads(line) for line in (tmp_path / "heard").read_text().splitlines()]
    # The store's readings are of 2031 and the round's clock is this machine's: what does not age is sent.
    assert {"battery", "clock"} <= {line["topic"] for line in heard}
    before = len(heard)
    Rounds(store, wanted)()
    assert len((tmp_path / "heard").read_text().splitlines()) == before


def test_trouble_with_a_channel_shows_in_check_and_is_not_told_through_it(store: Path) -> None:
    deaf = Ear("deaf")
    deaf.deaf = True
    rounds = Rounds(store, config(), [deaf])
    rounds()
    with open_store(store, read_only=True) as opened:
        assert [condition.topic for condition in conditions.current(opened)] == ["notices"]
        assert not any("deaf" in notice.text for notice in notices_now(opened, config(), NOW + timedelta(days=1)))
    deaf.deaf = False
    rounds()
    with open_store(store, read_only=True) as opened:
        assert conditions.current(opened) == []


def test_a_store_that_does_not_open_is_a_notice(store: Path) -> None:
    store.write_bytes(b"not a database" * 1000)
    ear = Ear()
    Rounds(store, config(), [ear])()
    assert ear.heard == ["+store"]


def test_many_readings_at_once_make_one_round(store: Path) -> None:
    import threading

    begun, go_on = threading.Event(), threading.Event()

    class Slow(Ear):
        def begins(self, notice: Notice, at: datetime) -> None:
            begun.set()
            assert go_on.wait(30)
            super().begins(notice, at)

    ear = Slow()
    rounds = Rounds(store, config(), [ear], moment_s=0)
    before = threading.active_count()
    rounds.soon()
    assert begun.wait(30)
    for _ in range(50):
        rounds.soon()
    assert threading.active_count() - before <= 2, "one at work, one waiting"
    go_on.set()
    for thread in threading.enumerate():
        if thread.name == "notices":
            thread.join(30)
    assert len(ear.heard) == len(set(ear.heard))


def test_defaults_are_private_and_quiet() -> None:
    assert NoticesSettings().personal is False
    assert NoticesSettings().command == ()
    assert timedelta(minutes=30) <= OVER_AFTER


def test_a_series_is_found_by_its_person_and_first_day(store: Path) -> None:
    with open_store(store) as opened:
        people.add(opened, "Ada", NOW)
        wanted = config(**{"people.Ada": 'protocol = "esh-2023"\nseries_from = "2031-03-03"'})
        found = situation.situation_now(opened, wanted, NOW)
        (series,) = found.series
        assert (series.person, series.protocol, series.taken, series.expected) == ("Ada", "esh-2023", 0, 4)
        assert "Ada" not in series.subject
        assert (
            situation.situation_now(opened, config(**{"people.Nobody": 'series_from = "2031-03-03"'}), NOW).series == ()
        )


def test_what_stands_in_the_way_of_the_file_of_notices_stops_no_notice(tmp_path: Path) -> None:
    sent = SentNotices(tmp_path / "store.notices")
    (tmp_path / "store.notices.part").symlink_to(tmp_path / "elsewhere")
    sent.begins("mqtt", "disk")
    assert sent.was_sent("mqtt", "disk")
    assert not (tmp_path / "elsewhere").exists()
