"""The Debian package in its life: install, upgrade, downgrade, remove, purge, and the upgrade of Debian under it.

One command: `.venv/bin/python -m pytest -m long tests/debian/test_package.py`, as root; .ci/packages-debian names what
it needs. QUIETCUFF_DEB names a package that was built already; else systemd/debian/build makes one.
"""

import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
from debian_container import NEW, Container, debian
from older_package import older

SUITES = ("bookworm", "trixie")
STORE, DROP_INS = "/var/lib/quietcuff/quietcuff.db", "/etc/systemd/system"
OLD, OLDER_SCHEMA = "quietcuff-old.deb", "quietcuff-older-schema.deb"

pytestmark = [pytest.mark.long, pytest.mark.timeout(1200)]


@pytest.fixture(scope="module")
def packages(package: Path) -> Path:
    """The package as built; the same as 0.0.8; as 0.0.9, which knows one schema less."""
    folder = package.parent
    older(package, folder / OLD, "0.0.8")
    older(package, folder / OLDER_SCHEMA, "0.0.9", schemas=1)
    return folder


def install(box: Container, name: str, *options: str) -> subprocess.CompletedProcess[str]:
    return box.run("apt-get", "install", "-y", *options, f"/packages/{name}", timeout=400)


def installed(box: Container) -> str:
    return box.ok("dpkg-query", "-W", "-f", "${Status} ${Version}", "quietcuff")


def settled(box: Container, unit: str = "quietcuff") -> str:
    """Whether the unit is up, once it is neither starting nor about to start again."""
    return box.ok(
        "sh",
        "-c",
        f"for i in $(seq 60); do s=$(systemctl is-active {unit}); [ $s = activating ] || break; sleep 1; done; echo $s",
    ).strip()


@pytest.mark.parametrize("suite", SUITES)
def test_installed_it_runs_and_an_upgrade_restarts_it(suite: str, packages: Path, tmp_path: Path) -> None:
    with debian(suite, tmp_path / suite, packages) as box:
        assert install(box, OLD).returncode == 0
        assert settled(box) == "active"
        assert box.ok("stat", "-c", "%a %U", "/var/lib/quietcuff").split() == ["700", "quietcuff"]
        checked = box.run("runuser", "-u", "quietcuff", "--", "quietcuff", "check")
        assert checked.returncode in (0, 3), checked.stderr
        assert "Traceback" not in checked.stderr
        assert "average" in box.ok("bash", "-c", COMPLETED)
        assert box.ok("sh", "-c", "ls /usr/share/man/man1/quietcuff-*.1.gz | wc -l").strip() != "0"
        answer = box.ok("python3", "-c", VISIT)
        assert answer.startswith(("200", "401", "403")), answer  # a stranger is shown the door, by the page itself
        assert not box.ok("dpkg", "--verify", "quietcuff")

        before = box.ok("systemctl", "show", "-p", "MainPID", "quietcuff")
        box.ok("sh", "-c", "printf '\\n[station]\\nzone = \"Europe/Lisbon\"\\n' > /etc/quietcuff.toml")
        upgraded = install(box, NEW)
        assert upgraded.returncode == 0, upgraded.stderr
        assert not installed(box).endswith("0.0.8")
        assert settled(box) == "active"
        assert box.ok("systemctl", "show", "-p", "MainPID", "quietcuff") != before
        assert "Europe/Lisbon" in box.ok("cat", "/etc/quietcuff.toml")


COMPLETED = """. /usr/share/bash-completion/completions/quietcuff
COMP_WORDS=(quietcuff av); COMP_CWORD=1; _quietcuff_completion quietcuff; echo "${COMPREPLY[@]}" """
VISIT = """import urllib.request, urllib.error
try: print(urllib.request.urlopen('http://127.0.0.1:8140/', timeout=60).status)
except urllib.error.HTTPError as error: print(error.code)"""


BROWSE = """
import sys
from playwright.sync_api import sync_playwright
with sync_playwright() as play:
    page = play.chromium.launch(executable_path="/usr/bin/chromium").new_page()
    page.set_default_timeout(120_000)
    page.goto(sys.argv[1])
    page.get_by_role("button", name="Sign in").click()
    page.get_by_text("Sign this device out").wait_for()
    nobodys = sys.argv[1].partition("/in/")[0] + "/nobody"
    while sys.argv[2] not in page.goto(nobodys).text():
        page.wait_for_timeout(1000)
    page.get_by_text(sys.argv[2]).first.wait_for()
"""
FIRST = """import sqlite3, time
while not (row := sqlite3.connect('file:STORE?mode=ro', uri=True).execute(
    'SELECT systolic, diastolic FROM reading').fetchone()): time.sleep(0.5)
print(*row, sep='/')"""


@pytest.mark.parametrize("suite", SUITES)
def test_three_commands_to_the_first_reading_in_a_browser(suite: str, packages: Path, tmp_path: Path) -> None:
    """README's three lines, for a station whose radio is the virtual one with its practice cuff."""
    with debian(suite, tmp_path / suite, packages) as box:
        began = time.monotonic()
        assert install(box, NEW).returncode == 0
        answers = ("--zone", "Europe/Lisbon", "--person", "anna", "--emergency-number", "112", "--page", "no")
        ready = box.run("quietcuff", "setup", *answers, "--radio", "virtual")
        assert ready.returncode in (0, 3), ready.stderr
        invited = box.ok("sudo", "-u", "quietcuff", "quietcuff", "page", "invite", "anna", "--role", "keeper")
        link = re.search(r"http://\S+/in/\S+", invited)
        assert link, invited
        reading = box.ok("python3", "-c", FIRST.replace("STORE", STORE)).strip()
        enter = ["nsenter", "-t", str(box.leader), "-n"]  # this machine's browser in the container's network
        subprocess.run([*enter, sys.executable, "-c", BROWSE, link[0], reading], check=True, timeout=300)
        print(f"{suite}: from the bare system to {reading} in the browser in {time.monotonic() - began:.0f} s")


@pytest.mark.parametrize("suite", SUITES)
def test_a_downgrade_below_the_store_is_refused_and_another_is_not(suite: str, packages: Path, tmp_path: Path) -> None:
    with debian(suite, tmp_path / suite, packages) as box:
        assert install(box, NEW).returncode == 0
        assert settled(box) == "active"
        now, before = installed(box), box.ok("sha256sum", "/usr/lib/quietcuff/pyvenv.cfg", STORE)
        refused = install(box, OLDER_SCHEMA, "--allow-downgrades")
        assert refused.returncode != 0
        assert "cannot read the store" in refused.stdout + refused.stderr
        assert installed(box).split()[-1] == now.split()[-1]
        assert box.ok("sha256sum", "/usr/lib/quietcuff/pyvenv.cfg", STORE).split()[0] == before.split()[0]
        assert box.ok("sh", "-c", "ls -l /var/lib/quietcuff | grep -c root || true").strip() == "0"
        assert install(box, OLD, "--allow-downgrades").returncode == 0
        assert installed(box).endswith("0.0.8")
        assert settled(box) == "active"


@pytest.mark.parametrize("suite", SUITES)
@pytest.mark.parametrize("answer", ["unanswered", "yes"])
def test_remove_keeps_the_readings_and_purge_asks(suite: str, answer: str, packages: Path, tmp_path: Path) -> None:
    with debian(suite, tmp_path / suite, packages) as box:
        assert install(box, NEW).returncode == 0
        assert settled(box) == "active"
        box.run("quietcuff", "setup", "--zone", "Europe/Lisbon", "--radio", "exclusive", "--page", "station.local")
        box.ok("sh", "-c", f"printf '[Service]\nNice=1\n' > {DROP_INS}/quietcuff.service.d/somebodys.conf")
        box.ok("apt-get", "remove", "-y", "quietcuff")
        assert box.run("test", "-e", "/usr/lib/quietcuff").returncode != 0
        assert box.run("test", "-s", STORE).returncode == 0
        assert box.run("test", "-e", "/etc/quietcuff.toml").returncode == 0
        assert len(box.ok("find", DROP_INS, "-path", "*quietcuff*", "-type", "f").split()) == 3
        assert box.run("systemctl", "is-active", "quietcuff").stdout.strip() in ("inactive", "failed")
        if answer == "yes":
            box.ok("sh", "-c", "echo 'quietcuff quietcuff/purge-readings boolean true' | debconf-set-selections")
        purged = box.run("apt-get", "purge", "-y", "quietcuff", timeout=120)
        assert purged.returncode == 0, purged.stderr
        assert box.run("test", "-e", "/etc/quietcuff.toml").returncode != 0
        left = box.ok("find", DROP_INS, "-path", "*quietcuff*", "-type", "f").split()
        assert left == [f"{DROP_INS}/quietcuff.service.d/somebodys.conf"], "what setup laid there goes with it"
        assert (box.run("test", "-s", STORE).returncode == 0) is (answer == "unanswered")
        assert ("stay in /var/lib/quietcuff" in purged.stdout + purged.stderr) is (answer == "unanswered")


def test_debian_is_upgraded_under_it(packages: Path, tmp_path: Path) -> None:
    """From bookworm to trixie, another Python: the service runs before and after, compiled for the new one."""
    with debian("bookworm", tmp_path / "box", packages, network=True) as box:
        assert install(box, NEW).returncode == 0
        assert settled(box) == "active"
        box.ok(
            "sh", "-c", "sed -i s/bookworm/trixie/ /etc/apt/sources.list /etc/apt/sources.list.d/* 2>/dev/null; true"
        )
        box.ok("apt-get", "update", timeout=200)
        quiet = ("-o", "Dpkg::Options::=--force-confold")
        box.ok("apt-get", "-y", *quiet, "dist-upgrade", timeout=900)
        assert "3.13" in box.ok("python3", "--version")
        assert box.ok("quietcuff", "--version").startswith("quietcuff ")
        assert settled(box) == "active"
        box.ok("systemctl", "restart", "quietcuff")
        assert settled(box) == "active"
        compiled = box.ok("sh", "-c", "find /usr/lib/quietcuff/site -name '*.cpython-313.pyc' | wc -l")
        assert int(compiled) > 500
        assert (
            box.ok(
                "python3",
                "-c",
                f"import sqlite3; print(*sqlite3.connect('{STORE}').execute('PRAGMA quick_check').fetchone())",
            ).strip()
            == "ok"
        )
