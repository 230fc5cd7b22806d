"""`quietcuff check --trial`: which radio for whom, said with its reason; a trial of the adapter decides."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from collector.radio.errors import RadioUnavailable
from collector.radio.exclusive import rights, trial
from collector.service.checks import bluetooth, bluetoothd, which_radio

Run = Callable[..., Result]


class Machine:
    """What the trial and BlueZ say here. objects: BlueZ's, before and after; trials: adapters that were tried."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.objects: list[dict[str, Any]] = [bluez()]
        self.trials: list[str] = []
        self.fails: str | None = None
        monkeypatch.setattr(rights, "missing", list)
        monkeypatch.setattr(trial, "try_adapter", self._try)
        monkeypatch.setattr(bluetoothd, "objects", self._objects)
        monkeypatch.setattr(bluetooth, "adapters", lambda: ["hci0"])
        monkeypatch.setattr(which_radio, "BACK_S", 0.05)
        monkeypatch.setattr(which_radio, "LOOK_S", 0.01)

    async def _try(self, transport: str) -> int:
        self.trials.append(transport)
        if self.fails:
            raise RadioUnavailable(self.fails)
        return 12

    async def _objects(self) -> dict[str, Any]:
        return self.objects.pop(0) if len(self.objects) > 1 else self.objects[0]


class Value:
    def __init__(self, value: object) -> None:
        self.value = value


def bluez(*devices: dict[str, object], powered: bool = True) -> dict[str, Any]:
    found = {f"/org/bluez/hci0/dev_{n}": {"org.bluez.Device1": one} for n, one in enumerate(devices)}
    return {"/org/bluez/hci0": {"org.bluez.Adapter1": {"Powered": Value(powered)}}, **found}


def device(name: str, *services: str, paired: bool = True) -> dict[str, object]:
    given = {"Alias": name, "UUIDs": list(services), "Paired": paired, "Connected": False}
    return {key: Value(value) for key, value in given.items()}


CUFF = device("kitchen", "00001810-0000-1000-8000-00805f9b34fb")
KEYBOARD = device("Keys 1", "00001812-0000-1000-8000-00805f9b34fb")


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Machine:
    return Machine(monkeypatch)


def test_nothing_else_on_bluetooth_and_a_passed_trial_recommend_the_exclusive_radio(
    quietcuff: Run, machine: Machine
) -> None:
    machine.objects = [bluez(CUFF, device("passer-by", paired=False))]
    done = quietcuff("check", "--trial")
    assert done.exit_code == 0, done.stderr
    assert machine.trials == ["hci-socket:0"]
    assert "hci0 passed its trial: taken, reset, 12 advertisements heard, given back as it was" in done.stdout
    assert "the exclusive radio is recommended" in done.stdout
    assert "no record is confirmed before it is on disk" in done.stdout
    assert "sudo quietcuff setup --radio exclusive" in done.stdout
    assert "half a minute" in done.stderr, "whoever types on a Bluetooth keyboard is told before"


def test_where_something_else_is_paired_nothing_is_tried(quietcuff: Run, machine: Machine) -> None:
    machine.objects = [bluez(CUFF, KEYBOARD)]
    done = quietcuff("check", "--trial")
    assert done.exit_code == 0
    assert machine.trials == []
    assert "stay with BlueZ: 'Keys 1' uses Bluetooth here too" in done.stdout
    assert "half a minute" not in done.stderr, "nothing is taken away"


def test_a_trial_that_failed_says_why_and_to_stay(quietcuff: Run, machine: Machine) -> None:
    machine.fails = "hci0 was taken and reset, but heard nothing in 20 s"
    done = quietcuff("check", "--trial", "--json")
    assert done.exit_code == 3
    assert '"topic": "exclusive radio"' in done.stdout
    assert "heard nothing in 20 s" in done.stdout
    assert "stay with BlueZ" in done.stdout


def test_an_adapter_that_bluez_does_not_get_back_has_failed(quietcuff: Run, machine: Machine) -> None:
    machine.objects = [bluez(), bluez(powered=False)]
    done = quietcuff("check", "--trial")
    assert done.exit_code == 3
    assert "hci0 was on before, and BlueZ has not switched it on again" in done.stdout


def test_a_chip_on_a_serial_line_is_said_to_be_untried(quietcuff: Run, machine: Machine, tmp_path: Path) -> None:
    real = tmp_path / "devices/platform/soc/fe201000.serial/serial0/serial0-0/bluetooth/hci0"
    real.mkdir(parents=True)
    (tmp_path / "hci0").symlink_to(real)
    assert which_radio.on_serial_line("hci0", tmp_path)
    assert not which_radio.on_serial_line("hci1", tmp_path)


def test_such_a_chip_is_told_with_the_recommendation(
    quietcuff: Run, machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(which_radio, "on_serial_line", lambda name: True)
    said = quietcuff("check", "--trial").stdout
    assert "as a Raspberry Pi's own chip" in said
    assert "not tried on such hardware" in said


def test_without_the_right_or_the_host_stack_the_trial_says_what_is_missing(
    quietcuff: Run, machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rights, "missing", lambda: [("the right is missing", "sudo")])
    done = quietcuff("check", "--trial")
    assert done.exit_code == 3
    assert "exclusive radio: the right is missing" in done.stdout
    assert machine.trials == []
    assert "half a minute" not in done.stderr


@pytest.mark.parametrize(
    ("devices", "words"),
    [((CUFF,), "`sudo quietcuff check --trial`"), ((CUFF, KEYBOARD), "over BlueZ, as 'Keys 1' uses Bluetooth too")],
)
def test_check_says_which_radio_fits(devices: tuple[dict[str, object], ...], words: str) -> None:
    found = bluetoothd.choice(bluetoothd.others(bluez(*devices), None))
    assert (found.topic, found.remedy) == ("which radio", "")
    assert words in found.text


def test_only_the_chosen_adapters_devices_count() -> None:
    assert bluetoothd.others(bluez(KEYBOARD), "hci1") == []
