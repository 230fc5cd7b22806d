"""The Debian package that these tests install: QUIETCUFF_DEB names one that was built already, else it is built."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from debian_container import NEW

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("packages")
    if "QUIETCUFF_DEB" in os.environ:
        shutil.copy(os.environ["QUIETCUFF_DEB"], folder / NEW)
    else:
        subprocess.run([ROOT / "systemd/debian/build", "amd64", folder], check=True, timeout=900)
        next(folder.glob("quietcuff_*.deb")).rename(folder / NEW)
    return folder / NEW
