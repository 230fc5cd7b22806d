"""A Debian with systemd as init, in a container over an overlay: nothing of this machine or of the root is touched.

As root; needs systemd-container. `tests/debian/make_root.sh SUITE` makes the root once. No Bluetooth inside.
"""

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

MAKE_ROOT = Path(__file__).parents[1] / "debian" / "make_root.sh"
NEW = "quietcuff.deb"
KEPT = Path(os.environ.get("QUIETCUFF_DEBIAN", Path.home() / ".cache/quietcuff-debian"))
ENVIRONMENT = {
    "HOME": "/root",
    "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
    "LC_ALL": "C.UTF-8",
    "DEBIAN_FRONTEND": "noninteractive",
}


@dataclass(frozen=True)
class Container:
    leader: int  # the container's init, as this machine numbers it

    def run(self, *command: str, timeout: float = 300) -> subprocess.CompletedProcess[str]:
        enter = ["nsenter", "-t", str(self.leader), "-m", "-u", "-i", "-p", "-n", "-C", "env", "-i"]
        words = [f"{name}={value}" for name, value in ENVIRONMENT.items()]
        return subprocess.run([*enter, *words, *command], capture_output=True, text=True, timeout=timeout)

    def ok(self, *command: str, timeout: float = 300) -> str:
        done = self.run(*command, timeout=timeout)
        assert done.returncode == 0, (command, done.stdout[-3000:], done.stderr[-3000:])
        return done.stdout


@contextmanager
def debian(suite: str, folder: Path, packages: Path, *, network: bool = False) -> Iterator[Container]:
    """Boots `suite` with `packages` at /packages; everything that changes lies in `folder` and ends with it."""
    subprocess.run([MAKE_ROOT, suite], check=True, timeout=900)
    upper, work, merged = (folder / name for name in ("upper", "work", "merged"))
    for one in (upper, work, merged):
        one.mkdir(parents=True)
    layers = f"lowerdir={KEPT / suite},upperdir={upper},workdir={work}"
    subprocess.run(["mount", "-t", "overlay", "overlay", "-o", layers, merged], check=True)
    boot = ["systemd-nspawn", "--quiet", "--register=no", "--keep-unit", "--console=passive", "-b", "-D", str(merged)]
    boot += ["--capability=CAP_NET_RAW", f"--bind-ro={packages}:/packages"]
    boot += [] if network else ["--private-network"]
    with (folder / "console").open("wb") as console:
        outer = subprocess.Popen(boot, stdin=subprocess.DEVNULL, stdout=console, stderr=console)
        try:
            yield _booted(outer)
        finally:
            outer.terminate()  # nspawn shuts its container down
            try:
                outer.wait(30)
            except subprocess.TimeoutExpired:
                outer.kill()
                outer.wait()
            subprocess.run(["umount", "-l", merged], check=False)
            shutil.rmtree(folder, ignore_errors=True)


def _booted(outer: subprocess.Popen[bytes]) -> Container:
    """Once its init says that it is up: 'degraded' is enough, a container lacks some devices."""
    until = time.monotonic() + 120
    while time.monotonic() < until and outer.poll() is None:
        children = Path(f"/proc/{outer.pid}/task/{outer.pid}/children").read_text().split()
        if children:
            container = Container(int(children[-1]))
            said = container.run("systemctl", "is-system-running").stdout.strip()
            if said in ("running", "degraded"):
                return container
        time.sleep(0.5)
    raise RuntimeError(f"the container did not come up: nspawn ended with {outer.poll()}")
