"""One listener a store: two would take the same payloads from the radio twice."""

import fcntl
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from collector.store.errors import StoreError
from collector.store.writers import open_own, stands_at, the_file


class AlreadyListening(Exception):
    """Another process listens on this store; the text is one line for a person."""


def _lock_file(store: Path) -> Path:
    store = the_file(store)
    return store.with_name(store.name + ".lock")


@contextmanager
def only_listener(store: Path) -> Iterator[Callable[[], None]]:
    """Hold the store's listener lock. The kernel frees it when the process dies, however it dies.

    Yields what to call now and then: where somebody tidied the lock's file away, anybody could begin to listen, and
    nobody would see that we do; it is taken anew. Raises AlreadyListening, there too.
    """
    path = _lock_file(store)
    with ExitStack() as held:

        def take() -> os.stat_result:
            descriptor = open_own(path, os.O_RDWR, store)
            held.callback(os.close, descriptor)
            _lock(descriptor, store)
            return os.fstat(descriptor)

        ours = take()

        def keep() -> None:
            nonlocal ours
            if not stands_at(path, ours):
                ours = take()

        keep()  # it may have gone between opening and locking
        yield keep


def _lock(descriptor: int, store: Path) -> None:
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
