"""Every writer shares a lock as long as it has the store open; whoever puts another file there needs it alone.

The lock is a file of its own beside the store: closing any descriptor of the store itself would drop the locks that
SQLite holds on it in this process (SQLite documentation, "How To Corrupt An SQLite Database File").
"""

import errno
import fcntl
import os
import stat
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from collector.store.errors import StoreError

WAIT_S = 15.0
"""As long as one waits for another's transaction."""


HAS_IT_OPEN = "another program has the store open (listen, sit, import, merge, relay or the page); end it first"
TAKEN_ALONE = (
    "a backup is being restored here, or what a power cut left is being looked through; try again when it is done"
)


def the_file(store: Path) -> Path:
    """What a symbolic link leads to: there stands what SQLite keeps beside a store, so there stand its locks too.

    Raises StoreError for a folder, a device, a pipe or a link that leads nowhere: beside such nothing is to be made.
    """
    path = Path(os.path.realpath(store)) if store.is_symlink() else store
    if path.is_dir():
        raise StoreError(f"{store}: is a folder, no file, so not a store", "foreign")
    if path.is_symlink() or (path.exists() and not path.is_file()):
        raise StoreError(f"{store}: this is no file, so not a quietcuff store", "foreign")
    return path


def part_of(path: Path) -> Path:
    """What is written before it takes this name."""
    return path.with_name(path.name + ".part")


def stands_at(path: Path, file: os.stat_result) -> bool:
    """Whether this very file has that name still: nobody moved it, took it away or put another in its place."""
    try:
        return os.path.samestat(os.stat(path), file)
    except OSError:
        return False


def open_own(path: Path, flags: int, store: Path | None = None) -> int:
    """A descriptor of a file of ours, made for its owner's eyes alone where there is none. store: whose owner gets it,
    so that what root made still is the service's.

    Raises OSError, and StoreError for what is no file: whoever may write in the folder could have root follow a link
    to anywhere, or wait at a pipe for ever.
    """
    try:
        descriptor = os.open(path, flags | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK, 0o600)
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.close(descriptor)
            raise OSError(errno.ELOOP, "no file")
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.EISDIR, errno.ENXIO):
            raise StoreError(
                f"{path}: no file, where quietcuff keeps one of its own; move it away", "foreign"
            ) from None
        raise
    if store and os.geteuid() == 0:
        with suppress(OSError):
            owner = (store if store.exists() else store.parent).stat()
            os.fchown(descriptor, owner.st_uid, owner.st_gid)
    return descriptor


def lock_file(store: Path) -> Path:
    store = the_file(store)
    return store.with_name(store.name + ".writers")


def share(store: Path) -> int | None:
    """Take part in the lock; returns what `release` wants. None in a folder where nobody can write anyway.

    Waits while somebody has it alone; raises StoreError, 'locked', when it goes on.
    """
    return _take(store, fcntl.LOCK_SH, WAIT_S, lambda _: TAKEN_ALONE)


def release(descriptor: int | None) -> None:
    if descriptor is not None:
        os.close(descriptor)


@contextmanager
def alone(store: Path, wait_s: float = 1.0) -> Iterator[None]:
    """Nobody else has the store open for writing, nor opens it so until this ends. Raises StoreError, 'locked'."""
    descriptor = _take(store, fcntl.LOCK_EX, wait_s, _has_it_open)
    try:
        yield
    finally:
        release(descriptor)


@contextmanager
def only_backup(store: Path) -> Iterator[None]:
    """Nobody else makes a backup of this store, so that what an interrupted one left can be taken away."""
    store = the_file(store)
    path = store.with_name(store.name + ".backing-up")
    descriptor = _take(store, fcntl.LOCK_EX, 1.0, lambda _: "another backup of it is being made; wait for that", path)
    try:
        yield
    finally:
        release(descriptor)


def _has_it_open(descriptor: int) -> str:
    """Which process it is stands with the kernel, where it shows (proc_locks(5)): not from within a container."""
    about = os.fstat(descriptor)
    where = f"{os.major(about.st_dev):02x}:{os.minor(about.st_dev):02x}:{about.st_ino}"
    with suppress(OSError):
        locks = [line.split() for line in Path("/proc/locks").read_text().splitlines()]
        # What the kernel shows while others lock and unlock may name one several times.
        if found := sorted(
            {pid for _, kind, _, _, pid, file, *_ in locks if (kind, file) == ("FLOCK", where)}, key=int
        ):
            named = f"{'processes' if len(found) > 1 else 'process'} {', '.join(found)}"
            return HAS_IT_OPEN.replace("another program", f"another program, {named},")
    return HAS_IT_OPEN


def _take(
    store: Path, how: int, wait_s: float, otherwise: Callable[[int], str], path: Path | None = None
) -> int | None:
    path = path or lock_file(store)
    try:
        descriptor = open_own(path, os.O_RDONLY, store)
    except OSError as error:
        if os.access(store, os.W_OK):  # without the lock a restore beside it would lose what it writes
            raise StoreError(f"{path}: cannot be opened, so the store cannot be locked ({error.strerror})") from error
        return None
    taken = locked(descriptor, how, wait_s)
    if taken:
        return descriptor
    said = None if taken is None else otherwise(descriptor)
    os.close(descriptor)
    if said is None:
        return None
    raise StoreError(f"{store}: {said}", "locked")


def locked(descriptor: int, how: int, wait_s: float) -> bool | None:
    """Lock a file, or say that it could not be had in time; None on a file system without locks."""
    until = time.monotonic() + wait_s
    while True:
        try:
            fcntl.flock(descriptor, how | fcntl.LOCK_NB)
            return True
        except BlockingIOError:
            if time.monotonic() > until:
                return False
            time.sleep(0.005)
        except OSError:
            return None
