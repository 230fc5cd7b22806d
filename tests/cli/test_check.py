"""`quietcuff check`: each look by itself, and the command over a whole machine that is wrong in some way."""

import asyncio
import os
import shutil
import socket
import subprocess
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from typer.testing import Result

from collector.intake.erasure import finish_erasing
from collector.radio.bluez.bus import BusError
from collector.service.checks import bluetooth, bluetoothd, clock, service
from collector.service.checks.finding import FindingState
from collector.service.config import parse
from collector.store import conditions, people
from collector.store.opening import open_store
from collector.store.people import erase

Run = Callable[..., Result]
Found = Callable[..., dict[str, Any]]
NOW = datetime(2031, 3, 20, 12, tzinfo=UTC)


def test_a_machine_without_bluetooth_gets_one_clear_line(findings: Found) -> None:
    found = findings()
    assert found["exit"] == 3
    assert found["adapter"]["text"] == "this machine has no Bluetooth adapter that the kernel knows"
    assert not {"BlueZ", "D-Bus", "pairing"} & set(found)
    assert found["service"]["text"].startswith("nothing collects readings into ")
    assert "25 readings from 27 payloads, 1 came again" in found["store"]["text"]
    assert "sound" in found["store"]["text"]
    assert "not looked through" in findings("--quick")["store"]["text"]


def test_a_payload_that_cannot_be_read_is_shown_with_its_reason(findings: Found) -> None:
    text = findings()["payloads"]["text"]
    assert text.startswith("1 payload gave no reading; the newest, 1e80 from C0:FF:EE:00:00:01 at 2031-03-15")
    assert "systolic" in text


def test_an_erase_that_is_not_finished_is_told_until_it_is(findings: Found, household: Path) -> None:
    """Seen: another program read the store, and nothing said that the name was still in its log."""
    with open_store(household) as store:
        people.add(store, "mira", NOW)
        erase.begin(store, "mira", NOW)
    assert findings()["erase"]["text"].startswith("1 erase of a person is not finished: the file may still hold")
    with open_store(household) as store:
        finish_erasing(store)
    assert "erase" not in findings()


def test_a_configuration_that_is_wrong_stops_nothing_else(findings: Found, tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text("[radio]\nkind = 'fm'\n")
    found = findings("--config", str(tmp_path / "c.toml"))
    assert found["exit"] == 1
    assert found["configuration"]["state"] == "broken"
    assert "c.toml, line 2: radio.kind is 'fm'; allowed:" in found["configuration"]["text"]
    assert found["store"]["state"] == "fine"


def test_what_the_service_tells_is_shown_with_its_remedy(findings: Found, household: Path) -> None:
    with open_store(household) as store:
        conditions.tell(store, "radio", "Bluetooth is off; bluetoothctl power on", NOW)
    found = findings()["radio"]
    assert found["text"].startswith("Bluetooth is off (last said, 2031-03-20")
    assert found["remedy"] == "bluetoothctl power on"


def test_the_file_to_begin_with_names_every_key_and_changes_nothing(quietcuff: Run, tmp_path: Path) -> None:
    result = quietcuff("check", "--keys")
    assert result.exit_code == 0
    assert parse(result.stdout) == parse("")
    set_again = "\n".join(
        line.removeprefix("# ") if " = " in line and "(not set)" not in line else line
        for line in result.stdout.splitlines()
    )
    unnamed = set_again[: set_again.index(".NAME]")].rpartition("\n")[0]
    assert parse(unnamed) == parse("")  # the defaults shown are the defaults
    assert "# [people.NAME]" in result.stdout
    assert "One of: bluez, exclusive, virtual." in result.stdout


def test_the_words_fit_a_narrow_terminal(quietcuff: Run, household: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.cli.check.terminal_width", lambda: 40)
    monkeypatch.setattr(bluetooth, "adapters", list)
    lines = quietcuff("--store", str(household), "check").stdout.splitlines()
    assert all(len(line) <= 40 or " " not in line[11:] for line in lines)
    assert any(line.startswith("ATTENTION  adapter: ") for line in lines)
    assert any(line.startswith("           mend: ") for line in lines)


# -- each look ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "newest", "synchronised", "state", "words"),
    [
        (NOW, None, True, FindingState.FINE, "shows 2031-03-20"),
        (NOW, NOW - timedelta(days=1), None, FindingState.FINE, "shows"),
        (NOW, NOW - timedelta(days=900), True, FindingState.FINE, "shows"),
        (NOW, NOW - timedelta(days=900), False, FindingState.ATTENTION, "years after the newest that arrived (2028"),
        (NOW, NOW + timedelta(hours=1), None, FindingState.ATTENTION, "but something arrived on 2031-03-20 13:00 UTC"),
        (NOW, NOW + timedelta(hours=1), True, FindingState.ATTENTION, "as the network says, but something arrived on"),
        (datetime(1970, 1, 2, tzinfo=UTC), None, True, FindingState.ATTENTION, "before this program was made"),
        (datetime(1970, 1, 2, tzinfo=UTC), NOW, None, FindingState.ATTENTION, "arrived on 2031-03-20 12:00 UTC"),
        (NOW, None, False, FindingState.ATTENTION, "nothing keeps it right"),
    ],
)
def test_clock(
    now: datetime, newest: datetime | None, synchronised: bool | None, state: FindingState, words: str
) -> None:
    found = next(clock.findings(now, newest, ZoneInfo("Europe/Lisbon"), lambda: synchronised))
    assert found.state is state
    assert words in found.text
    if state is FindingState.ATTENTION:  # a clock that the network keeps needs no setting
        assert ("set-ntp" in found.remedy) == ("network says" not in found.text)


def test_what_is_told_is_dated_by_the_stations_clock_whatever_this_machines(tmp_path: Path) -> None:
    tokyo = ZoneInfo("Asia/Tokyo")
    assert "2031-03-20 21:00:00+09:00" in next(clock.findings(NOW, None, tokyo, lambda: True)).text
    with open_store(tmp_path / "q.db") as store:
        conditions.tell(store, "radio", "Bluetooth is off; bluetoothctl power on", NOW)
        (told,) = service.standing_conditions(store, 7, tokyo)
    assert "since 2031-03-20 21:00+09:00" in told.text


@pytest.mark.parametrize(("effective", "allowed"), [("0000000000002000", True), ("0000000000001fff", False)])
def test_the_witness_needs_cap_net_raw(tmp_path: Path, effective: str, allowed: bool) -> None:
    """Bit 13 of CapEff: linux/capability.h, proc(5)."""
    (tmp_path / "7").mkdir()
    (tmp_path / "7" / "status").write_text(f"Name:\tx\nCapEff:\t{effective}\n")
    assert service.may_witness(7, tmp_path) is allowed
    assert service.may_witness(8, tmp_path) is None
    found = list(service.witness(parse(""), 7, set(), tmp_path))
    assert [one.state for one in found] == [FindingState.FINE if allowed else FindingState.ATTENTION]
    assert list(service.witness(parse(""), 7, {"witness"}, tmp_path)) == []
    (off,) = service.witness(parse("[radio]\nwitness = 'off'"), 7, set(), tmp_path)
    assert "can be lost" in off.text


def test_adapters_and_switches(tmp_path: Path) -> None:
    for name in ("hci0", "hci0:12", "hci1"):
        (tmp_path / name).mkdir()
    assert bluetooth.adapters(tmp_path) == ["hci0", "hci1"]
    for name, kind, soft, hard in (("rfkill0", "wlan", "1", "1"), ("rfkill1", "bluetooth", "1", "0")):
        (tmp_path / name).mkdir()
        for file, text in (("type", kind), ("soft", soft), ("hard", hard)):
            (tmp_path / name / file).write_text(text + "\n")
    assert bluetooth.blocked(tmp_path) == "soft"
    assert bluetooth.hardware(None, ["hci0"], "soft").remedy == "sudo rfkill unblock bluetooth"
    assert "hci3 is not here" in bluetooth.hardware("hci3", ["hci0"], None).text
    assert bluetooth.hardware("hci0", ["hci0"], None).state is FindingState.FINE


def answers(running: bool = True, powered: bool | None = True, refuses: dict[str, str] | None = None) -> Any:
    """A bus as BlueZ would answer on it (BlueZ's doc/adapter-api, doc/agent-api)."""
    asked: list[str] = []

    async def ask(
        destination: str, path: str, interface: str, member: str, signature: str = "", body: Any = ()
    ) -> list[Any]:
        asked.append(member)
        if refuses and member in refuses:
            raise BusError(refuses[member], "words of the bus")
        if member == "NameHasOwner":
            return [running]
        if member == "GetManagedObjects":
            adapter = {"org.bluez.Adapter1": {"Powered": SimpleNamespace(value=powered)}}
            return [{"/org/bluez": {}, **({} if powered is None else {"/org/bluez/hci0": adapter})}]
        return []

    ask.asked = asked  # type: ignore[attr-defined]
    return ask


@pytest.mark.parametrize(
    ("ask", "topics", "words"),
    [
        (answers(), ["BlueZ", "which radio", "pairing"], "an agent may be registered"),
        (answers(running=False), ["BlueZ"], "bluetoothd does not run"),
        (answers(powered=None), ["BlueZ"], "bluetoothd has no adapter"),
        (answers(powered=False), ["BlueZ"], "hci0 is switched off"),
        (
            answers(refuses={"GetManagedObjects": "org.freedesktop.DBus.Error.AccessDenied"}),
            ["D-Bus rights"],
            "may not talk to bluetoothd",
        ),
        (answers(refuses={"GetManagedObjects": "org.freedesktop.DBus.Error.NoReply"}), ["BlueZ"], "NoReply"),
        (
            answers(refuses={"RegisterAgent": "org.freedesktop.DBus.Error.AccessDenied"}),
            ["BlueZ", "which radio", "pairing"],
            "no cuff can pair",
        ),
    ],
)
async def test_bluez(ask: Any, topics: list[str], words: str) -> None:
    found = await bluetoothd.findings(ask, None)
    assert [one.topic for one in found] == topics
    assert words in found[-1].text
    if words == "an agent may be registered":
        assert ask.asked[-1] == "UnregisterAgent"


def test_no_bus_at_all(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    monkeypatch.setattr(bluetooth, "adapters", lambda: ["hci0"])
    monkeypatch.setattr(bluetooth, "blocked", lambda: None)
    _, found = bluetooth.findings(None)
    assert found.topic == "D-Bus"
    assert "no system bus" in found.text


def test_a_bus_that_does_not_answer(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "bus"))
        listening.listen()
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/bus")
        monkeypatch.setattr(bluetooth, "adapters", lambda: ["hci0"])
        monkeypatch.setattr(bluetooth, "blocked", lambda: None)
        monkeypatch.setattr(bluetoothd, "TIMEOUT_S", 0.1)
        _, found = bluetooth.findings(None)
    assert found.topic == "D-Bus"
    assert "no answer" in found.text


@pytest.fixture
def bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A real message bus of our own, standing in for the system's."""
    program = shutil.which("dbus-daemon")
    assert program, "the message bus is missing: apt install dbus"
    daemon = subprocess.Popen(
        [program, "--session", "--nofork", "--print-address", f"--address=unix:path={tmp_path}/b"],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert daemon.stdout is not None
    address = daemon.stdout.readline().strip()
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
    monkeypatch.setattr(bluetooth, "adapters", lambda: ["hci0"])
    monkeypatch.setattr(bluetooth, "blocked", lambda: None)
    yield address
    daemon.terminate()
    daemon.wait()
    daemon.stdout.close()


@pytest.mark.system
def test_a_real_bus_without_bluetoothd(bus: str) -> None:
    _, found = bluetooth.findings(None)
    assert (found.topic, found.text) == ("BlueZ", "bluetoothd does not run")


@pytest.mark.system
async def test_a_real_bus_with_a_service_that_answers_as_bluez(bus: str) -> None:
    from dbus_fast import Message, MessageType, Variant
    from dbus_fast.aio import MessageBus

    def bluez(message: Message) -> Message | bool:
        if message.message_type is not MessageType.METHOD_CALL:
            return False
        if message.member == "GetManagedObjects":
            keyboard = {"Alias": Variant("s", "Keys 1"), "Paired": Variant("b", True), "UUIDs": Variant("as", [])}
            objects = {
                "/org/bluez/hci0": {"org.bluez.Adapter1": {"Powered": Variant("b", True)}},
                "/org/bluez/hci0/dev_1": {"org.bluez.Device1": keyboard},
            }
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [objects])
        if message.member == "RegisterAgent":
            return Message.new_error(message, "org.bluez.Error.AlreadyExists", "Already Exists")
        return False

    served = await MessageBus(bus_address=bus).connect()
    served.add_message_handler(bluez)
    await served.request_name("org.bluez")
    _, ran, which, pairing = await asyncio.to_thread(lambda: list(bluetooth.findings(None)))
    asked = await bluetoothd.objects()
    served.disconnect()
    assert which.text == "over BlueZ, as 'Keys 1' uses Bluetooth too"
    assert (bluetoothd.powered(asked), bluetoothd.others(asked, "hci0")) == (["hci0"], ["Keys 1"])
    assert (ran.state, ran.text) == (FindingState.FINE, "runs, hci0 is on")
    assert pairing.state is FindingState.ATTENTION
    assert "Already Exists" in pairing.text


def test_check_as_a_real_process(household: Path, tmp_path: Path) -> None:
    import sys

    environment = {**os.environ, "DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={tmp_path}/none"}
    done = subprocess.run(
        [sys.executable, "-c", "from collector.cli.main import run; run()", "--store", str(household), "check"],
        capture_output=True,
        text=True,
        check=False,
        env=environment,
    )
    assert done.returncode == 3
    assert done.stderr == ""
    assert "ATTENTION  service: nothing collects readings into" in done.stdout


def test_the_exclusive_radio_says_what_it_needs(
    quietcuff: Callable[..., Result], household: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from collector.radio.exclusive import rights

    (tmp_path / "c.toml").write_text('[radio]\nkind = "exclusive"\n', "utf-8")
    options = ["--store", str(household), "--config", str(tmp_path / "c.toml"), "check"]
    monkeypatch.setattr(rights, "missing", lambda: [("the right is missing", "see systemd/exclusive.conf")])
    lacking = quietcuff(*options)
    assert lacking.exit_code == 3
    assert "exclusive radio: the right is missing" in lacking.stdout
    assert "mend: see systemd/exclusive.conf" in lacking.stdout
    monkeypatch.setattr(rights, "missing", list)
    assert "exclusive: BlueZ is not used" in quietcuff(*options).stdout
