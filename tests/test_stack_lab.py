"""The stack lab's own script. A guest whose emulated kernel gives up is booted again: that is the emulator's fault."""

import os
import subprocess
from pathlib import Path

import pytest

RUN = Path(__file__).parent / "stack/lab/run"
# Software emulation may leave both processors of the guest in their kernel for ever. Then its console says:
LOCKED_UP = "watchdog: BUG: soft lockup - CPU#0 stuck for 126s!"
QEMU = f"""#!/bin/sh
echo boot >> boots
cd work
[ "$(wc -l < ../boots)" -gt "$ENDED" ] || {{ echo 'Kernel panic - not syncing: Fatal exception in interrupt'; exit 0; }}
echo "STEP boot $(wc -l < ../boots)" > job.out
[ "$(wc -l < ../boots)" -gt "$LOCKED_UP" ] || {{ echo '{LOCKED_UP}'; exit 0; }}
[ -z "$SILENT" ] || exit 0
echo 0 > job.rc
"""


@pytest.fixture
def guest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder whose `work` is given to the script; instead of QEMU a program that counts its boots there."""
    (tmp_path / "bin").mkdir()
    emulator = tmp_path / "bin/qemu-system-x86_64"
    emulator.write_text(QEMU)
    emulator.chmod(0o755)
    (tmp_path / "lab/bookworm").mkdir(parents=True)
    (tmp_path / "lab/bookworm/root").symlink_to("/")
    (tmp_path / "work").mkdir()
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:{os.environ['PATH']}")
    monkeypatch.setenv("QUIETCUFF_LAB", str(tmp_path / "lab"))
    return tmp_path


def run(guest: Path, seconds: int = 60, **environment: str) -> tuple[int, str]:
    done = subprocess.run(
        [RUN, "bookworm", "work", str(seconds)],
        cwd=guest,
        capture_output=True,
        text=True,
        env=os.environ | {"LOCKED_UP": "0", "ENDED": "0", "SILENT": ""} | environment,
        timeout=60,
    )
    return done.returncode, done.stdout + done.stderr


def boots(guest: Path) -> int:
    return len((guest / "boots").read_text().splitlines())


def test_a_sound_guest_is_booted_once(guest: Path) -> None:
    assert run(guest) == (0, "")
    assert boots(guest) == 1


def test_a_guest_whose_kernel_locked_up_is_booted_again_and_that_is_told(guest: Path) -> None:
    status, said = run(guest, LOCKED_UP="1")
    assert status == 0
    assert "gave up" in said
    assert boots(guest) == 2
    assert "boot 2" in (guest / "work/job.out").read_text(), "what the first boot said does not count"
    assert LOCKED_UP in (guest / "work/console.1.log").read_text(), "the console of the first boot is kept"


def test_a_guest_whose_kernel_ended_before_its_job_began_is_booted_again(guest: Path) -> None:
    status, said = run(guest, ENDED="1")
    assert status == 0
    assert "gave up" in said
    assert boots(guest) == 2


def test_one_that_locks_up_again_and_again_fails(guest: Path) -> None:
    status, said = run(guest, LOCKED_UP="9")
    assert status == 4
    assert "soft lockup" in said
    assert boots(guest) == 3


def test_one_that_ends_without_a_status_for_another_reason_is_not_booted_again(guest: Path) -> None:
    status, said = run(guest, SILENT="1")
    assert status == 4
    assert "without its status" in said
    assert boots(guest) == 1


def test_all_boots_share_one_limit_of_time(guest: Path) -> None:
    emulator = guest / "bin/qemu-system-x86_64"
    emulator.write_text(f"#!/bin/sh\necho boot >> boots\necho '{LOCKED_UP}'\nexec sleep 30\n")
    assert run(guest, seconds=2)[0] != 0
    assert boots(guest) == 1
