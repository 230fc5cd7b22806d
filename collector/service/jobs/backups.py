"""Backups of the store: whole, verified, a few kept, sealed on demand. The way back: `restoring.py`."""

import os
import re
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from collector.service.jobs import sealing
from collector.service.jobs.sealing import Seal, SealError
from collector.share.private_file import private_file
from collector.store import audit, conditions, journal, upkeep, writers
from collector.store.errors import StoreError
from collector.store.journal import payloads
from collector.store.opening import open_as_it_is, open_store
from collector.store.values import Progress
from collector.store.writers import part_of


class BackupError(Exception):
    """A backup could not be made or taken back; the text is one line for a person."""


@dataclass(frozen=True, slots=True)
class Backup:
    """One backup in its folder. made_at: UTC, as its name says."""

    path: Path
    made_at: datetime
    size: int

    @property
    def sealed(self) -> bool:
        return self.path.name.endswith(sealing.SUFFIX)


@dataclass(frozen=True, slots=True)
class Contents:
    """What stands in a store or backup. said: lines of its history. newest: arrival of its newest payload."""

    payloads: int
    readings: int
    said: int
    newest: datetime | None


_MADE = r"(\d{8}-\d{6})(?:-\d+)?"
"""When, UTC, and which of that second."""


def folder_of(store: Path, configured: Path | None = None) -> Path:
    """The folder that was chosen, else one beside the store."""
    return configured or upkeep.backup_folder(store)


def every(folder: Path, store: Path) -> list[Backup]:
    """The backups of a store in a folder, in the order in which they were made, whatever the clock showed then.

    Other files there are none of ours and never touched. Raises BackupError when the folder cannot be read; a folder
    that is not there has none.
    """
    name = re.compile(rf"{re.escape(store.stem)}-{_MADE}\.db(\.age)?")
    found = []
    try:
        for path in folder.iterdir() if folder.exists() else ():
            if match := name.fullmatch(path.name):
                with suppress(ValueError, FileNotFoundError):
                    made = datetime.strptime(match[1], "%Y%m%d-%H%M%S").replace(tzinfo=UTC)
                    found.append(Backup(path, made, path.stat().st_size))
    except OSError as error:
        raise BackupError(f"{folder}: the backups cannot be read ({error.strerror})") from error
    places = {name: place for place, name in enumerate(_order(store))}
    return sorted(found, key=lambda one: (places.get(one.path.name, -1), one.made_at, one.path.name))


_NOTED = 5000


def _order(store: Path) -> list[str]:
    """Names of backups in the order they were made; those from before this was kept are not among them."""
    try:
        return [os.fsdecode(name) for name in upkeep.order_file(store).read_bytes().split(b"\n") if name]
    except OSError:
        return []


def _note_order(store: Path, made: str | None, gone: frozenset[str] = frozenset()) -> None:
    """made: the newest. gone: names that another station may have from now on."""
    names = [name for name in _order(store) if name not in {made, *gone}][-_NOTED:]  # in whatever folder
    with private_file(upkeep.order_file(store), binary=True) as file:
        file.writelines(os.fsencode(name) + b"\n" for name in [*names, *([made] if made else [])])
    same_owner(store, upkeep.order_file(store))


def _own(folder: Path, store: Path) -> list[Backup]:
    """Those that are this store's for sure: another's may have the same name, on a stick or a share of both."""
    noted = set(_order(store))
    beside = folder == upkeep.backup_folder(store)  # where all are, also from before an order was kept
    return [one for one in every(folder, store) if beside or one.path.name in noted]


def take(
    store: Path,
    folder: Path,
    keep: int,
    recipient: str | None = None,
    now: datetime | None = None,
    progress: Progress | None = None,
) -> Backup:
    """Back up while the listener goes on, verify the copy, seal it, and only then drop what is beyond `keep`.

    recipient: an age or SSH public key to seal to; then the copy is written and verified beside the store, so that
    nothing unsealed ever reaches the folder. Raises BackupError, SealError or StoreError.
    """
    store = writers.the_file(store)
    with writers.only_backup(store):
        _drop_unfinished(store, folder)
        return _take(store, folder, keep, recipient, now, progress)


def _take(
    store: Path, folder: Path, keep: int, recipient: str | None, now: datetime | None, progress: Progress | None
) -> Backup:
    now = (now or datetime.now(UTC)).astimezone(UTC)
    seal = Seal(recipient) if recipient else None
    copy = None
    try:
        with open_store(store, create=False) as opened:
            fresh = not folder.exists()
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if fresh:
                same_owner(store, folder)
            made = _begun(store, folder / upkeep.backup_path(store, now).stem, f".db{sealing.SUFFIX if seal else ''}")
            copy = store.with_name(f"{made.stem}.unsealed") if seal else made
            upkeep.backup_to(opened, copy, progress)
        try:
            look_into(copy)
        except StoreError:
            copy.unlink(missing_ok=True)
            raise
        if seal:
            seal.close(copy, made)
    except OSError as error:
        raise BackupError(
            f"{folder}: no backup can be written here ({error.strerror}); "
            "choose another folder under [backup], or mend this one"
        ) from error
    finally:
        if seal and copy:
            copy.unlink(missing_ok=True)
            part_of(made).unlink(missing_ok=True)
    same_owner(store, made)
    sync_folder(folder)
    if old := _own(folder, store)[:-keep]:
        _note_order(store, None, frozenset(one.path.name for one in old))
        for one in old:
            one.path.unlink(missing_ok=True)
    return Backup(made, now.replace(microsecond=0), made.stat().st_size)


def _begun(store: Path, wanted: Path, ending: str) -> Path:
    """This name or, where another backup has it or is being written to it, the next one: noted as this store's.

    Whoever makes the file that it is written to has the name. A finished one gives that up only for the name itself,
    so this is looked at afterwards. Stations on several machines may share the folder: no lock reaches across.
    """
    for made in upkeep.names_in_turn(wanted, ending):
        part = part_of(made)
        try:
            os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        except FileExistsError:
            continue
        try:
            if not made.exists():
                _note_order(store, made.name)
                return made
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        part.unlink(missing_ok=True)
    raise AssertionError("names never end")


def unfinished(store: Path, folder: Path) -> Iterator[Path]:
    """Copies of this store that a power cut left half made, some of them still to be sealed. Raises OSError.

    In a folder of several stations' backups those that others are making are none of ours.
    """
    ours = re.compile(rf"({re.escape(store.stem)}-{_MADE}\.db(?:\.age)?)(\.unsealed)?(\.part\S*|(?<=unsealed)\S*)")
    noted, beside = set(_order(store)), {store.parent, upkeep.backup_folder(store)}
    for where in {store.parent, folder}:
        for left in where.iterdir() if where.exists() else ():
            if (match := ours.fullmatch(left.name)) and (where in beside or match[1] in noted):
                yield left


def _drop_unfinished(store: Path, folder: Path) -> None:
    with suppress(OSError):  # a folder that cannot be used is told of in a moment
        for left in unfinished(store, folder):
            left.unlink(missing_ok=True)


def look_into(path: Path, *, locked: bool = False) -> Contents:
    """Look through all of a store's file without changing it, not even its schema.

    locked: the caller has the writers' lock alone. Raises StoreError where it is not sound, not a store, or made by a
    newer quietcuff.
    """
    with open_as_it_is(path, locked=locked) as store:
        if found := upkeep.integrity(store):
            raise StoreError(f"{path}: not sound: {found[0]}", "damaged")
        counts = journal.counts(store)
        newest = payloads.newest_arrival(store, anywhere=True)
        return Contents(counts.payloads, counts.readings, audit.count(store), newest)


def find(which: str, folder: Path, store: Path) -> Backup:
    """The backup of this name in the folder, the file of this path, or the newest ('last'). Raises BackupError."""
    backups = every(folder, store)
    if which == "last" and backups:
        return backups[-1]
    for backup in backups:
        if which in (backup.path.name, str(backup.path)):
            return backup
    path = Path(which)
    if path.is_file():
        about = path.stat()
        return Backup(path, datetime.fromtimestamp(about.st_mtime, UTC), about.st_size)
    raise BackupError(f"no backup '{which}' in {folder}; `quietcuff backup list` shows what is there")


def last_good(folder: Path, store: Path) -> Backup | None:
    """The newest backup that opens and is sound; a sealed one counts, as nobody can look into it here."""
    for backup in reversed(every(folder, store)):
        if backup.sealed:
            return backup
        with suppress(StoreError):
            look_into(backup.path)
            return backup
    return None


def last_backup_hint(folder: Path, store: Path) -> str:
    """One line for whoever stands before a damaged store."""
    try:
        backup = last_good(folder, store)
    except BackupError as error:
        return str(error)
    if backup is None:
        return f"there is no sound backup in {folder}; keep {store} as it is, `quietcuff backup restore FILE` takes one"
    sealed = " (sealed: its private key is needed)" if backup.sealed else ""
    return (
        f"the last good backup is of {backup.made_at:%Y-%m-%d %H:%M} UTC{sealed}: "
        f"`quietcuff backup restore {backup.path.name}` puts it in place and keeps the damaged file"
    )


def same_owner(store: Path, made: Path) -> None:
    """Made by root, it still belongs to the service's user; where a file system knows no owners, never mind."""
    owner = (store if store.exists() else store.parent).stat()
    if os.geteuid() == 0:
        with suppress(OSError):
            os.chown(made, owner.st_uid, owner.st_gid, follow_symlinks=False)


def sync_folder(path: Path) -> None:
    """So that a rename survives a power cut."""
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def daily(store: Path, folder: Path, keep: int, recipient: str | None = None) -> Callable[[], str | None]:
    """The daily job: a failure is told in the log and stands in `check` until a backup succeeds."""

    def work() -> str | None:
        try:
            made = take(store, folder, keep, recipient)
        except (BackupError, SealError, StoreError) as error:
            _tell(store, f"no backup could be made: {error}")
            raise
        _tell(store, None)
        return f"{made.path} ({made.size / 1e6:.1f} MB), verified"

    return work


def _tell(store: Path, text: str | None) -> None:
    with suppress(StoreError), open_store(store, create=False) as opened:
        conditions.tell(opened, "backup", text, datetime.now(UTC))
