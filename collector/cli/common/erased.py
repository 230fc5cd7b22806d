"""What an erase took away and its proof, in words; and the end of an interrupted one by whatever command is next."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from glob import escape
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli.common.command import GlobalOptions, say
from collector.share.text.layout import counted
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.opening import open_store
from collector.store.people import erase
from collector.store.people.erase_preview import Erasure

if TYPE_CHECKING:
    from collector.intake.erasure import Erased


def erased_words(erasure: Erasure) -> str:
    unsure = f" ({erasure.unsure} more set aside during a loan)" if erasure.unsure else ""
    payloads, notes = counted(erasure.payloads, "payload"), counted(erasure.notes, "note")
    return f"{counted(erasure.readings, 'reading')}{unsure}, {payloads}, {notes}"


def tell_erased(gone: "Erased", path: Path) -> None:
    say(f"{gone.erasure.person} is erased: {erased_words(gone.erasure)}")
    for place in gone.naming:
        say(f"the name still stands in {place}, written there of somebody else")
    searched = len(gone.erasure.traces)
    if gone.left:
        say(f"of {counted(searched, 'trace')}, still in {path}: {len(gone.left)}; the next command looks again")
    else:
        say(f"searched {path} and its log for {counted(searched, 'trace')}: none is left")


def copies(options: GlobalOptions) -> list[Path]:
    """Backups of the store, what an upgrade or a restore kept of it, and what one left that was killed."""
    from collector.service.jobs import backups  # only where an erase ends: not in every command
    from collector.service.jobs.restoring import staged_for

    folders = {backups.folder_of(options.store_path, options.config.backup.folder), options.store_path.parent,
               backups.folder_of(options.store_path)}  # fmt: skip
    before, endings = f"{escape(options.store_path.stem)}-before-*", {options.store_path.suffix, ".db"}
    kept = (path for folder in folders for path in folder.glob(before) if path.suffix in endings)
    made = (one.path for folder in folders for one in backups.every(folder, options.store_path))
    left = (path for folder in folders for path in backups.unfinished(options.store_path, folder))
    staged = staged_for(options.store_path)
    return sorted({*kept, *made, *left, *([staged] if staged.exists() else ())})


def tell_copies(options: GlobalOptions, done: Sequence[Path] = ()) -> None:
    for path in copies(options):
        if path not in done:
            say(f"{path} was made before and may hold them still; erase it there with --in, or delete it")


@contextmanager
def _what_stands_in_its_way_is_told() -> Iterator[None]:
    try:
        yield
    except StoreError as error:
        say(f"an erase that was interrupted is not finished yet: {error}")


def finish_and_tell(store: Store, options: GlobalOptions) -> None:
    """Finish what an interrupted erase left to be done. What stands in its way is told; the next one tries again."""
    with _what_stands_in_its_way_is_told():
        if not erase.pending(store):
            return
        from collector.intake.erasure import finish_erasing  # brings the parsers, which a command that reads needs not

        for gone in finish_erasing(store):
            tell_erased(gone, store.path)
        tell_copies(options)


def finish_before_reading(store: Store, options: GlobalOptions) -> None:
    """The same before a command that only reads; on a store that cannot be written there is nothing to be done."""
    with _what_stands_in_its_way_is_told():
        if erase.pending(store):
            with open_store(store.path, create=False) as writing:
                finish_and_tell(writing, options)
