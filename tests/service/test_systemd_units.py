"""The unit is sound, hardened, and leaves the witness and BlueZ what they need: asked of systemd's tools."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from collector.radio.bluez.monitor import handover

FOLDER = Path(__file__).parents[2] / "systemd"
DROP_INS = ("network.conf", "exclusive.conf")
UNITS = ("quietcuff.service", "quietcuff-page.socket", "quietcuff-page.service")


def run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """A root folder with the unit and its program in place, as the README puts them."""
    for name in ("opt/quietcuff/bin/quietcuff-listen", "opt/quietcuff/bin/quietcuff-page", "bin/sh"):
        program = tmp_path / name
        program.parent.mkdir(parents=True, exist_ok=True)
        program.write_text("#!/bin/sh\n")
        program.chmod(0o755)
    units = tmp_path / "etc/systemd/system"
    units.mkdir(parents=True)
    for name in UNITS:
        shutil.copy(FOLDER / name, units)
    for name in (
        "basic.target",
        "bluetooth.service",
        "dbus.service",
        "dbus.socket",
        "local-fs.target",
        "multi-user.target",
        "shutdown.target",
        "sockets.target",
        "sysinit.target",
        "system.slice",
        "time-set.target",
        "-.slice",
        "-.mount",
        "tmp.mount",
        "systemd-journald.socket",
    ):
        source = Path("/lib/systemd/system") / name
        if source.exists():
            shutil.copy(source, units)
    return tmp_path


def exposure(unit: Path) -> float:
    found = run("systemd-analyze", "security", "--offline=true", unit)
    match = re.search(r"Overall exposure level for \S+: ([\d.]+)", found.stdout)
    assert match, found.stdout + found.stderr
    return float(match[1])


def settings(*files: Path) -> dict[str, list[str]]:
    """Every assignment of [Service], in order; an empty one clears a list (systemd.syntax(7))."""
    found: dict[str, list[str]] = {}
    for file in files:
        for line in file.read_text("utf-8").splitlines():
            name, equals, value = line.partition("=")
            if equals and not line.startswith("#"):
                found[name] = [*found.get(name, []), *value.split()] if value else []
    return found


@pytest.mark.system
def test_systemd_finds_nothing_wrong(installed: Path) -> None:
    found = run("systemd-analyze", "verify", f"--root={installed}", "--man=no", *UNITS)
    complaints = [line for line in found.stderr.splitlines() if "quietcuff" in line]
    assert not complaints
    assert found.returncode == 0, found.stderr


@pytest.mark.system
def test_a_misspelt_setting_would_be_found(installed: Path) -> None:
    unit = installed / "etc/systemd/system/quietcuff.service"
    unit.write_text(unit.read_text("utf-8").replace("ProtectHome=", "ProtectHoem="))
    found = run("systemd-analyze", "verify", f"--root={installed}", "--man=no", "quietcuff.service")
    assert "ProtectHoem" in found.stderr


@pytest.mark.system
def test_exposure_is_low_enough(tmp_path: Path) -> None:
    unit = tmp_path / "quietcuff.service"
    text = (FOLDER / "quietcuff.service").read_text("utf-8")
    unit.write_text(text)
    assert exposure(unit) <= 2.0
    for drop_in in DROP_INS:
        unit.write_text(text.replace("[Install]", (FOLDER / drop_in).read_text("utf-8") + "[Install]"))
        assert exposure(unit) <= 2.0, drop_in


@pytest.mark.system
def test_the_page_is_exposed_less_still_and_opens_no_socket_of_its_own() -> None:
    page = FOLDER / "quietcuff-page.service"
    assert exposure(page) <= 0.6
    service = settings(page)
    assert service["PrivateNetwork"] == ["yes"]
    assert service["RestrictAddressFamilies"] == ["AF_UNIX"]
    assert service["CapabilityBoundingSet"] == []
    for shared in ("User", "StateDirectory", "StateDirectoryMode", "UMask"):
        assert service[shared] == settings(FOLDER / "quietcuff.service")[shared]
    # A page that cannot ask dates a loan by a clock that nobody set, and does not know when the network has set it.
    assert "ProtectClock" not in service
    assert "adjtimex" in service["SystemCallFilter"]


def test_the_witness_and_bluez_keep_what_they_need() -> None:
    service = settings(FOLDER / "quietcuff.service")
    assert service["Type"] == ["notify"]
    assert int(service["WatchdogSec"][0]) > 0
    assert int(service["FileDescriptorStoreMax"][0]) == 2 * len({handover.WITNESS, handover.HANDOVER})
    assert service["AmbientCapabilities"] == service["CapabilityBoundingSet"] == ["CAP_NET_RAW"]
    assert set(service["RestrictAddressFamilies"]) == {"AF_UNIX", "AF_BLUETOOTH"}
    # The kernel grants the monitor channel in the initial user and network namespaces only.
    for namespace in ("PrivateUsers", "PrivateNetwork", "DynamicUser", "NetworkNamespacePath"):
        assert namespace not in service
    assert service["StateDirectory"] == ["quietcuff"]
    assert service["StateDirectoryMode"] == ["0700"]
    assert service["UMask"] == ["0077"]
    # adjtimex(2) tells whether the clock is synchronised, and ProtectClock= would forbid it (systemd.exec(5)).
    assert "ProtectClock" not in service
    assert "adjtimex" in service["SystemCallFilter"]
    # /proc/sys/kernel/random/boot_id names the boot whose clock was unsure.
    assert "ProcSubset" not in service


def test_drop_ins_only_add_what_they_say() -> None:
    unit = FOLDER / "quietcuff.service"
    network = settings(unit, FOLDER / "network.conf")
    assert network["IPAddressDeny"] == []
    assert set(network["RestrictAddressFamilies"]) == {"AF_UNIX", "AF_BLUETOOTH", "AF_INET", "AF_INET6"}
    exclusive = settings(unit, FOLDER / "exclusive.conf")
    assert exclusive["AmbientCapabilities"] == ["CAP_NET_RAW", "CAP_NET_ADMIN"]


@pytest.mark.system
def test_sysusers_makes_the_user_a_member_of_bluetooth(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    found = run("systemd-sysusers", f"--root={tmp_path}", FOLDER / "quietcuff.sysusers")
    assert found.returncode == 0, found.stderr
    passwd = (tmp_path / "etc/passwd").read_text("utf-8")
    assert re.search(r"^quietcuff:.*:/var/lib/quietcuff:/usr/sbin/nologin$", passwd, re.MULTILINE)
    assert re.search(r"^bluetooth:.*:quietcuff$", (tmp_path / "etc/group").read_text("utf-8"), re.MULTILINE)


@pytest.mark.system
def test_bluez_lets_any_user_send_to_it() -> None:
    """So that no D-Bus policy of ours is needed. Asked of the policy that the distribution's BlueZ ships."""
    import xml.etree.ElementTree as ElementTree

    for folder in ("/etc/dbus-1/system.d", "/usr/share/dbus-1/system.d"):
        policy = Path(folder) / "bluetooth.conf"
        if policy.exists():
            break
    else:
        pytest.fail("no bluetooth.conf: is the package bluez installed?")
    allowed = {
        (rule.get("context") or rule.get("group"), allow.get("send_destination"))
        for rule in ElementTree.parse(policy).getroot().iter("policy")
        for allow in rule.iter("allow")
    }
    assert allowed & {("default", "org.bluez"), ("bluetooth", "org.bluez")}
