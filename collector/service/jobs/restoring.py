"""A backup put back in the store's place: nothing is overwritten, and at any instant one of both stands there whole."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from collector.intake.erasure import erase_in_backup
from collector.service.jobs import sealing
from collector.service.jobs.backups import Backup, BackupError, Contents, look_into, sync_folder
from collector.service.listener_lock import only_listener
from collector.store import Store, upkeep, writers
from collector.store.errors import StoreError
from collector.store.journal import stations
from collector.store.opening import open_store
from collector.store.outbox_restored import keep_what_receivers_have
from collector.store.people import lending_stock
from collector.store.people.page_devices import keep_out_the_revoked

WAIT_S = 5.0
"""For whoever reads just now."""
BESIDE = ("", "-wal", "-shm")
"""A store's file and what SQLite keeps beside it."""


@dataclass(frozen=True, slots=True)
class Restoring:
    """What a restore does, or did. kept: where the present store goes, None where there is none. erased: payloads of
    the backup that stay out, because they were erased from the present store since. on_loan: cuffs that were out."""

    backup: Backup
    contents: Contents
    present: Contents | None  # None: there is none, or it cannot be read
    kept: Path | None
    erased: int = 0
    on_loan: int = 0


def restore(
    store: Path, backup: Backup, identity: Path | None = None, *, dry_run: bool = False, now: datetime | None = None
) -> Restoring:
    """Put a backup in the store's place; what stood there is kept under another name, whole or damaged.

    identity: a file with the private key, for a sealed backup. dry_run: look at everything, change nothing.
    Raises BackupError, SealError, StoreError (also while another program has the store open for writing), or
    AlreadyListening while a listener does.
    """
    store = writers.the_file(store)
    _refuse_what_is_in_use(backup, store)
    try:
        store.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with only_listener(store), _unsealed(backup, store, identity) as staged, writers.alone(store):
            contents = _contents(backup, staged)
            kept = _kept_as(store, now or datetime.now(UTC)) if store.exists() else None
            plan = Restoring(backup, contents, _present(store), kept)
            if dry_run:
                return plan
            if plan.present:
                plan = replace(plan, erased=_erase_what_was_erased(store, staged))
            plan = replace(plan, on_loan=_carry_over(store if plan.present else None, staged))
            _as_written(staged)
            if kept:
                _keep(store, kept, sound=plan.present is not None)
            os.rename(staged, store)
            sync_folder(store.parent)
            return plan
    except OSError as error:
        raise BackupError(f"{store}: the backup cannot be put here ({error.strerror})") from error


def _erase_what_was_erased(store: Path, staged: Path) -> int:
    """Erased is erased for good: no backup brings it back."""
    with open_store(store, create=False, locked=True) as present:
        return erase_in_backup(present, staged, locked=True)


def _carry_over(store: Path | None, staged: Path) -> int:
    """What does not go back in time with the backup: what receivers have, and who may see the page no longer. Lendings
    do: returns how many cuffs are out by the backup."""
    with open_store(staged, create=False, locked=True, keep_older=False) as restored:
        _keep_what_stays(store, restored)
        return lending_stock.count_out(restored)


def _keep_what_stays(store: Path | None, restored: Store) -> None:
    with open_store(store, create=False, locked=True) if store else nullcontext() as present:
        if present and stations.own_uid(restored) != stations.own_uid(present):
            present = None  # a new machine's: it has no part in this
        keep_what_receivers_have(restored, present)
        if present:
            keep_out_the_revoked(restored, present)


def _contents(backup: Backup, staged: Path) -> Contents:
    try:
        return look_into(staged)
    except StoreError as error:  # by the name that was given
        raise StoreError(str(error).replace(str(staged), str(backup.path)), error.kind) from error


def _refuse_what_is_in_use(backup: Backup, store: Path) -> None:
    """A backup is one file: of a store the newest readings may stand in its log, and would be left out."""
    if store.exists() and backup.path.samefile(store):
        raise BackupError(f"{store}: this is the store itself, not a backup of it")
    file = writers.the_file(backup.path)
    log = file.with_name(f"{file.name}-wal")
    if log.exists() and log.stat().st_size:
        raise BackupError(f"{backup.path}: a store in use, not a backup; make one of it: `quietcuff backup now`")


def _kept_as(store: Path, now: datetime) -> Path:
    """A name that nothing has, however many restores a second sees."""
    name = f"{store.stem}-before-restore-{now.astimezone(UTC):%Y%m%d-%H%M%S}"
    return next(path for path in upkeep.names_in_turn(store.with_name(name), store.suffix) if not path.exists())


def _keep(store: Path, kept: Path, sound: bool) -> None:
    """Give what stands there a second name, so that the next rename replaces it in one step, power cut or not.

    A write-ahead log left beside another store would be played into it: a sound store takes its own in first, a
    damaged one keeps it under the name that goes with it.
    """
    if sound:
        upkeep.refuse_open(store, WAIT_S)
        with open_store(store, create=False, locked=True) as opened:
            sound = upkeep.checkpoint(opened)
    for suffix in ("-wal", "-shm"):
        beside = store.with_name(store.name + suffix)
        if beside.exists() and not sound:
            beside.rename(kept.with_name(kept.name + suffix))
        beside.unlink(missing_ok=True)
    try:
        os.link(store, kept)
    except OSError:  # a file system without second names
        os.rename(store, kept)


def _present(store: Path) -> Contents | None:
    try:
        return look_into(store, locked=True) if store.exists() else None
    except StoreError:
        return None


def staged_for(store: Path) -> Path:
    """Where a backup is copied to before it takes the store's place; a restore that is killed leaves it to the next."""
    return store.with_name(store.name + ".restoring")


@contextmanager
def _unsealed(backup: Backup, store: Path, identity: Path | None) -> Iterator[Path]:
    """A copy of the backup beside the store, private, on the same file system."""
    staged = staged_for(store)
    os.close(writers.open_own(staged, os.O_TRUNC | os.O_WRONLY, store))
    try:
        if backup.sealed:
            sealing.unseal(backup.path, staged, identity)
        else:
            with backup.path.open("rb") as source, staged.open("wb") as target:
                while block := source.read(1 << 20):
                    target.write(block)
        yield staged
    finally:
        for suffix in BESIDE:
            staged.with_name(staged.name + suffix).unlink(missing_ok=True)


def _as_written(staged: Path) -> None:
    """A backup is one file by itself; a store is written through a log (the mode stays with the file)."""
    upkeep.write_through_log(staged)
    with staged.open("rb") as written:
        os.fsync(written.fileno())
