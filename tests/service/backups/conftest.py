"""What every test of backups starts with."""

from pathlib import Path

import pytest
from copies import append


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "var" / "quietcuff.db"
    append(path, *range(50))
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "stick" / "copies"


@pytest.fixture
def keys(tmp_path: Path) -> tuple[str, Path]:
    """A public key and the file of its private one, as age-keygen writes it."""
    import pyrage

    identity = pyrage.x25519.Identity.generate()
    file = tmp_path / "key.txt"
    file.write_text(f"# created: 2031-03-04\n# public key: {identity.to_public()}\n{identity}\n")
    return str(identity.to_public()), file
