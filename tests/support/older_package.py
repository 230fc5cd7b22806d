"""A built package told older: what an earlier release would be, so that going back to it can be tried."""

import re
import subprocess
import tempfile
from pathlib import Path


def older(package: Path, out: Path, version: str, *, schemas: int = 0) -> Path:
    """The same files as a package of that version, which knows so many schemas less. Of any processor."""
    with tempfile.TemporaryDirectory(dir=out.parent) as folder:
        unpacked = Path(folder, "unpacked")
        subprocess.run(["dpkg-deb", "-R", package, unpacked], check=True)
        control, preinst = unpacked / "DEBIAN/control", unpacked / "DEBIAN/preinst"
        own = re.search(r"^Version: (.+)$", control.read_text(), re.M)
        knows = re.search(r"-gt (\d+)", preinst.read_text())
        assert own
        assert knows
        control.write_text(control.read_text().replace(f"Version: {own[1]}", f"Version: {version}"))
        asked = preinst.read_text().replace(own[1], version)
        preinst.write_text(asked.replace(f"-gt {knows[1]}", f"-gt {int(knows[1]) - schemas}"))
        subprocess.run(["dpkg-deb", "-Zgzip", "-z1", "-b", unpacked, out], check=True, capture_output=True)
    return out
