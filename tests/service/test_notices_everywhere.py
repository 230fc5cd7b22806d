"""Each kind of notice through each channel, from a real store: the log, `check`, a program, a real MQTT broker."""

import json
import logging
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from servers import listening, mosquitto
from typer.testing import CliRunner

from collector.cli.common.root_group import root_app
from collector.intake.pipeline import catch_up, settle
from collector.service.config import Config, parse
from collector.service.jobs import backups
from collector.service.jobs.backups import BackupError
from collector.service.notices.rounds import channels_of, notices_now, tell
from collector.service.notices.sent import OVER_AFTER, SentNotices
from collector.store import journal, people
from collector.store.journal import cuffs, visits
from collector.store.opening import open_store
from collector.store.people import slot_spans
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime, build_date_time

KITCHEN = "C0:FF:EE:00:00:01"
DAY, MINUTE = timedelta(days=1), timedelta(minutes=1)
QUIET = '[station]\nzone = "UTC"\n[backup]\ndaily = false\n[notices]\ndisk_free_mb = 0\n'


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "quietcuff.db"


def visited(
    store: Path,
    at: datetime,
    *,
    systolic: int = 124,
    ahead: timedelta = timedelta(),
    battery: int = 80,
    bond_missing_on: str | None = None,
    renewed: bool = False,
) -> None:
    """Ada's cuff 'kitchen' was here and brought one reading."""
    with open_store(store) as opened:
        visit = visits.open_visit(opened, KITCHEN, "virtual", at)
        stamp = DateTime.of((at + ahead).replace(tzinfo=None))
        visits.learn_value(opened, visit, 0x2A08, build_date_time(stamp), at)
        visits.learn_value(opened, visit, 0x2A19, bytes([battery]), at)
        visits.learn_bond(opened, visit, bond_missing_on is None or renewed, bond_missing_on, at, renewed=renewed)
        journal.append(
            opened,
            cuff=KITCHEN,
            characteristic=0x2A35,
            source="virtual",
            visit=visit,
            arrived_at=at,
            value=build_measurement(measurement(systolic, 77, 95, stamp=stamp, pulse=61, user_id=1)),
        )
        visits.close_visit(opened, visit, at, "cuff left")
        cuffs.name(opened, KITCHEN, "kitchen", at)
        people.add(opened, "Ada", at)
        slot_spans.add(opened, "Ada", KITCHEN, 1, at)
        catch_up(opened)
        settle(opened, visit)


def a_backup_fails(store: Path, now: datetime) -> None:
    visited(store, now)
    folder = store.with_name("stick")
    folder.write_text("a file and no folder")
    with pytest.raises(BackupError):
        backups.daily(store, folder, 3)()


@dataclass(frozen=True)
class Kind:
    """topic: of the notice; listed: of the finding in `check`; happens: makes it so."""

    topic: str
    happens: Callable[[Path, datetime], None]
    words: str
    config: str = QUIET
    listed: str = ""


KINDS = {
    "silent": Kind("silent", lambda store, now: visited(store, now - 15 * DAY), "not heard from for 15 days"),
    "battery": Kind("battery", lambda store, now: visited(store, now, battery=9), "its battery is at 9 %"),
    "clock": Kind("clock", lambda store, now: visited(store, now, ahead=30.5 * MINUTE), "is 30 minutes ahead"),
    "bond": Kind("bond", lambda store, now: visited(store, now, bond_missing_on="cuff"), "has lost the bond"),
    "bond renewed": Kind(
        "bond renewed",
        lambda store, now: visited(store, now, bond_missing_on="cuff", renewed=True),
        "its bond was lost and made anew",
    ),
    "disk": Kind("disk", visited, "MB are free at", QUIET.replace("disk_free_mb = 0", "disk_free_mb = 900000000")),
    "backup late": Kind(
        "backup late",
        lambda store, now: visited(store, now - 3 * DAY),
        "there is no backup",
        QUIET.replace("daily = false", "daily = true"),
    ),
    "backup failing": Kind("service", a_backup_fails, "no backup could be made", listed="backup"),
    "series": Kind(
        "series",
        visited,
        "falls short of its plan",
        QUIET + (f'[people.Ada]\nprotocol = "esh-2023"\nseries_from = "{(datetime.now(UTC) - 3 * DAY):%Y-%m-%d}"\n'),
    ),
    "very high": Kind("very high", lambda store, now: visited(store, now, systolic=204), "a very high reading came"),
}
PERSONAL = ("Ada", "204")


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    with mosquitto(tmp_path_factory.mktemp("broker"), "allow_anonymous true", "persistence false") as port:
        yield port


@pytest.fixture
def config(tmp_path: Path, broker: int, kind: Kind) -> Config:
    hook = tmp_path / "hook.py"
    hook.write_text(f"import sys\nopen({str(tmp_path / 'heard')!r}, 'a').write(sys.stdin.read())\n")
    command = f"[notices]\ncommand = {json.dumps([sys.executable, str(hook)])}\n"
    return parse(kind.config.replace("[notices]\n", command) + f'[mqtt]\nhost = "127.0.0.1"\nport = {broker}\n')


@pytest.mark.system
@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_it_begins_and_ends_in_log_program_and_broker(
    kind: Kind, config: Config, store: Path, tmp_path: Path, broker: int, caplog: pytest.LogCaptureFixture
) -> None:
    now = datetime.now(UTC)
    kind.happens(store, now)
    with open_store(store) as opened:
        standing = notices_now(opened, config, now)
    assert [notice.topic for notice in standing] == [kind.topic]
    channels, told = channels_of(config), SentNotices.beside(store)
    assert [channel.name for channel in channels] == ["log", "command", "mqtt"]
    with listening(broker) as following, caplog.at_level(logging.INFO, "quietcuff"):
        assert tell(standing, channels, told, now) == []
        sent = json.loads(following().payload)
        assert tell((), channels, told, now) == []
        assert tell((), channels, told, now + OVER_AFTER) == []
        cleared = following()
    begun, over = [json.loads(line) for line in (tmp_path / "heard").read_text().splitlines()]
    assert sent == begun
    assert (begun["event"], begun["topic"], over["event"], over["topic"]) == ("begins", kind.topic, "over", kind.topic)
    assert kind.words in begun["text"]
    assert begun["remedy"]
    assert "no alarm system" in begun["caution"]
    assert cleared.payload == b""
    begins, ends = [line for line in caplog.messages if line.startswith("notice")]
    assert begins == f"notice: {begun['text']}; {begun['remedy']}"
    assert ends == f"notice over: {standing[0].key}"
    for secret in PERSONAL:  # as a word: any digits may stand in an instant's microseconds
        said = json.dumps(begun) + begins + ends + cleared.topic
        assert not re.search(rf"\b{secret}\b", said), "nothing personal unasked"


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_check_lists_it_and_its_exit_code_says_so(
    kind: Kind, store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from collector.service.checks import bluetooth, clock, service
    from collector.service.checks.finding import fine

    monkeypatch.setattr(bluetooth, "findings", lambda _: iter(()))  # this machine's own troubles are not the point
    monkeypatch.setattr(clock, "findings", lambda *_: iter(()))
    monkeypatch.setattr(service, "listening", lambda *_: fine("service", "as if"))
    file = tmp_path / "quietcuff.toml"

    def check(text: str) -> tuple[int, list[dict[str, str]]]:
        file.write_text(text)
        arguments = ["--store", str(store), "--config", str(file), "check", "--json"]
        result = CliRunner().invoke(root_app(), arguments)
        found = [json.loads(line) for line in result.stdout.splitlines()]
        return result.exit_code, [line for line in found if line["state"] != "fine"]

    visited(store, datetime.now(UTC) - MINUTE)
    assert check(QUIET) == (0, []), "all is well before"
    store.unlink()
    kind.happens(store, datetime.now(UTC))
    code, wanting = check(kind.config)
    assert code == 3
    assert [finding["topic"] for finding in wanting] == [kind.listed or kind.topic]
    assert kind.words in wanting[0]["text"] or kind.topic == "very high" or kind.topic == "series"
    assert wanting[0]["remedy"]
