"""One listener a store: two would take the same payloads from the radio twice."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from collector.store.errors import StoreError
from collector.store.writers import open_own, the_file


class AlreadyListening(Exception):
    """Another process listens on this store; the text is one line for a person."""


def _lock_file(store: Path) -> Path:
    store = the_file(store)
    return store.with_name(store.name + ".lock")


@contextmanager
def only_listener(store: Path) -> Iterator[None]:
    """Hold the store's listener lock. The kernel frees it when the process dies, however it dies."""
    path = _lock_file(store)
    descriptor = open_own(path, os.O_RDWR, store)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(descriptor, 20, 0).decode(errors="replace").strip() or "unknown"
            raise AlreadyListening(
                f"another quietcuff (process {holder}) listens on {store} already, or puts a backup there; "
                "stop it first, or give this one a --store of its own"
            ) from None
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
        yield
    finally:
        os.close(descriptor)


def listener(store: Path) -> int | None:
    """The process that listens on this store, or None. Takes nothing and changes nothing."""
    try:
        descriptor = os.open(_lock_file(store), os.O_RDWR | os.O_CLOEXEC | os.O_NONBLOCK)
    except (OSError, StoreError):
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        text = os.pread(descriptor, 20, 0).decode(errors="replace").strip()
        return int(text) if text.isdigit() else 0
    finally:
        os.close(descriptor)
    return None
