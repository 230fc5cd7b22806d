"""Files for their owner's eyes alone: health data, written whole or not at all, and secrets, shown nowhere."""

import fcntl
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from collector.share.export.context import ExchangeError
from collector.store.writers import open_own, part_of

_secrets: set[str] = set()
"""Every secret that this process has read, so that no text from outside can bring one back (see `masked`)."""


@contextmanager
def private_file(path: Path, *, binary: bool = False) -> Iterator[Any]:
    """An open file that takes the place of `path` once it is written, and on the disk then. Raises OSError, and
    ExchangeError where a store stands.

    What stands there and is no file (a pipe, /dev/null) is written to, and a link is followed: neither is replaced.
    """
    if path.exists() and not path.is_file():
        with path.open("wb") if binary else path.open("w", encoding="utf-8", newline="") as file:
            yield file
        return
    path = Path(os.path.realpath(path))  # `resolve` raises where links lead in a circle: that is no link to follow
    _refuse_a_store(path)
    partial = part_of(path)
    descriptor = _alone(partial, path)
    try:
        with open(descriptor, "wb") if binary else open(descriptor, "w", encoding="utf-8", newline="") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
            os.replace(partial, path)  # before the lock goes with the descriptor
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def _alone(partial: Path, path: Path) -> int:
    """A descriptor of the file, empty, that nobody else writes to meanwhile. Raises ExchangeError where one does."""
    descriptor = open_own(partial, os.O_WRONLY)
    held = False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:  # other errors: a file system without locks
        held = isinstance(error, BlockingIOError)
    if held or not partial.exists() or not os.path.samestat(os.fstat(descriptor), os.stat(partial)):
        os.close(descriptor)
        raise ExchangeError(f"{path}: another program writes this file just now; try again when it is done")
    os.ftruncate(descriptor, 0)
    return descriptor


def _refuse_a_store(path: Path) -> None:
    """A slip of the hand in --output is not to cost all readings: no store, backup or log of one is written over."""
    whole = path.with_name(re.sub("-(wal|shm|journal)$", "", path.name))
    for file in (path, whole):
        if file.is_file() and _begins(file) == b"SQLite format 3\0":
            raise ExchangeError(f"{file} is a store; nothing is written over it: choose another name")


def _begins(file: Path) -> bytes:
    with file.open("rb") as octets:
        return octets.read(16)


def secret(path: Path) -> str:
    """The first line of a file that its owner alone may read. Raises ExchangeError, never with the content."""
    lines = private_text(path).splitlines()
    if not lines or not (text := lines[0].strip()):
        raise ExchangeError(f"{path}: the file of the secret is empty")
    remember_secret(text)
    return text


def private_text(path: Path) -> str:
    """All of such a file. Raises ExchangeError."""
    try:
        if os.stat(path).st_mode & 0o077:
            raise ExchangeError(f"{path}: others may read this secret; run chmod 600 {path}")
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not text"
        raise ExchangeError(f"{path}: the secret cannot be read ({reason.lower()})") from None


def remember_secret(text: str) -> None:
    """So that no text from outside can bring it back."""
    _secrets.update((text, quote(text, safe="")))


def masked(text: str) -> str:
    """Text from outside without our secrets: a server may send back what we sent it."""
    for one in sorted(_secrets, key=len, reverse=True):
        text = text.replace(one, "***")
    return text
