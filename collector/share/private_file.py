"""Writing a file of health data: either whole or not there, and for its owner's eyes alone."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any


@contextmanager
def private_file(path: Path, *, binary: bool = False) -> Iterator[Any]:
    """An open file that takes the place of `path` once it is written, and on the disk then. Raises OSError."""
    partial = path.with_name(path.name + ".part")
    descriptor = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        with open(descriptor, "wb") if binary else open(descriptor, "w", encoding="utf-8", newline="") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.replace(partial, path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise
