"""The stack lab as seen from outside: one Debian prepared, and jobs of tests/stack/guest booted on it."""

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
LAB, GUEST = ROOT / "tests/stack/lab", ROOT / "tests/stack/guest"
PROMISED_VISITS = (
    ("first visit", 3),
    ("later visit", 5),
    ("after listen started again", 5),
    ("first connection after bluetoothd started again", 5),
    ("without the right: first visit", 3),
    ("without the right: later visit", 5),
)
"""Of the promise, on whatever machine it is held: the names of their steps, and how many records the cuff brings."""


def descendants(pid: int) -> list[int]:
    """A process and all that came of it, parents first (proc(5), /proc/PID/task/TID/children)."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text("ascii").split()
    except FileNotFoundError:
        return []
    return [pid] + [grandchild for child in children for grandchild in descendants(int(child))]


@dataclass(frozen=True)
class StackLab:
    """suite: the Debian that is booted, such as 'bookworm'."""

    suite: str

    @classmethod
    def prepared(cls, suite: str) -> "StackLab":
        """Fetch what is missing. Fails, never skips, where it cannot be had."""
        done = subprocess.run([LAB / "prepare", suite], capture_output=True, text=True)
        assert done.returncode == 0, f"{suite} cannot be prepared: {done.stdout}{done.stderr}"
        return cls(suite)

    @property
    def kept(self) -> Path:
        """What `prepared` has made."""
        return Path(os.environ.get("QUIETCUFF_LAB", Path.home() / ".cache/quietcuff-lab"), self.suite)

    @property
    def root(self) -> Path:
        return (self.kept / "root").resolve()

    @property
    def _python(self) -> tuple[str, list[Path]]:
        """What runs a job, and where it looks first: the Debian package's own, where that is installed in the guest."""
        beside = [GUEST, ROOT / "tests" / "support"]
        return ("/usr/lib/quietcuff/bin/python3", beside) if "-" in self.suite else ("python", [ROOT, *beside])

    @property
    def environment(self) -> dict[str, str]:
        """Of `command`: the Python that runs the tests is the guest's too, where the guest runs this machine's root."""
        return os.environ | {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}

    def command(self, work: Path, seconds: int, disk: Path | None = None) -> list[str]:
        return [str(LAB / "run"), self.suite, str(work), str(seconds), *([str(disk)] if disk else [])]

    def write_job(self, work: Path, job: str, *arguments: str, survives: bool = False) -> None:
        """What `command` is to run: a program of tests/stack/guest.

        survives: it writes its logs to the work folder at once, not at its end: slower, and there after a power cut.
        """
        logs = "." if survives else "/run/logs"
        python, paths = self._python
        (work / "job.sh").write_text(
            f"""export PYTHONPATH={":".join(map(str, paths))} LAB_LOGS={logs}
mkdir -p $LAB_LOGS
{python} -u {GUEST / job}.py {" ".join(arguments)}
status=$?
[ $LAB_LOGS = . ] || cp $LAB_LOGS/*.log .
exit $status
"""
        )
