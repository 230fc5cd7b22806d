"""The page under a real systemd, in a container: the socket starts it, idleness ends it, nobody who comes is lost.

One command, as root: `.venv/bin/python -m pytest -m long tests/debian/test_page_unit.py`. QUIETCUFF_DEB names a package
that was built already.
"""

import re
from pathlib import Path

import pytest
from debian_container import debian

pytestmark = [pytest.mark.long, pytest.mark.timeout(1500)]

SPEAKERS = 150
IDLE = "[Service]\nEnvironment=QUIETCUFF_PAGE_IDLE_MINUTES=0.0067\n[Unit]\nStartLimitIntervalSec=0\n"
TRIGGERS = "[Socket]\nTriggerLimitIntervalSec=0\n"
LATE = """
import random, socket, sys, threading, time
chance, answers = random.Random(7), []
def speak(after):
    try:
        with socket.create_connection(("127.0.0.1", 8140), 60) as one:
            time.sleep(after)
            one.sendall(b"GET / HTTP/1.1\\r\\nHost: 127.0.0.1\\r\\nConnection: close\\r\\n\\r\\n")
            one.settimeout(60)
            answer = b""
            while octets := one.recv(65536):
                answer += octets
        answers.append(answer.startswith(b"HTTP/1.1 401"))
    except OSError:
        answers.append(False)
for _ in range(int(sys.argv[1]) // 3):
    speakers = [threading.Thread(target=speak, args=(chance.uniform(0.3, 0.8),)) for _ in range(3)]
    for one in speakers:
        one.start()
        time.sleep(chance.uniform(0, 0.3))
    for one in speakers:
        one.join()
    time.sleep(0.4 + chance.uniform(0, 0.5))  # lands in every phase of the end
print(len(answers), answers.count(False))
"""


def test_the_socket_unit_loses_no_late_speaker_and_exposes_little(package: Path, tmp_path: Path) -> None:
    with debian("bookworm", tmp_path / "box", package.parent) as box:
        box.ok("apt-get", "install", "-y", f"/packages/{package.name}", timeout=400)
        assert box.ok("systemctl", "is-active", "quietcuff-page.socket").strip() == "active"
        assert box.run("systemctl", "is-active", "quietcuff-page.service").stdout.strip() == "inactive"
        security = box.ok("systemd-analyze", "--no-pager", "security", "quietcuff-page.service")
        found = re.search(r"Overall exposure level for \S+: ([\d.]+)", security)
        assert found
        print(f"exposure {found[1]}")
        assert float(found[1]) <= 0.6  # a tenth of it for asking whether the clock is synchronised

        for unit, text in (("service", IDLE), ("socket", TRIGGERS)):
            folder = f"/etc/systemd/system/quietcuff-page.{unit}.d"
            box.ok("sh", "-c", f"mkdir -p {folder}; printf '%s' '{text}' > {folder}/test.conf")
        box.ok("systemctl", "daemon-reload")
        box.ok("systemctl", "restart", "quietcuff-page.socket")
        asked, lost = map(int, box.ok("python3", "-c", LATE, str(SPEAKERS), timeout=900).split())
        started = box.ok("sh", "-c", "journalctl -u quietcuff-page.service | grep -c 'Started'").strip()
        print(f"{asked} late speakers, {lost} lost, the page was started {started} times")
        assert (asked, lost) == (SPEAKERS, 0)
        assert int(started) > 5, "it never ended, so nothing was tried"
        box.ok("sh", "-c", "sleep 20; systemctl is-active quietcuff-page.service | grep -qx inactive")
        assert box.run("systemctl", "is-failed", "quietcuff-page.service").returncode != 0
        held = box.ok("systemctl", "show", "-p", "MemoryCurrent,TasksCurrent", "quietcuff-page.service")
        print(f"asleep: {held.split()}")
        assert "TasksCurrent=[not set]" in held
