"""`quietcuff person erase`: a person's readings and everything that tells of them, for good."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from collector.cli.common.command import ATTENTION, DONE, Usage, options_of, say
from collector.cli.common.erased import erased_words, tell_copies, tell_erased
from collector.cli.common.selection import writing_store
from collector.cli.person_ownership import PersonName
from collector.intake.erasure import erase_in_backup, erase_person
from collector.share.text.layout import counted
from collector.store import people
from collector.store.database import Store
from collector.store.opening import open_store
from collector.store.people.erase_preview import preview


def erase(
    ctx: typer.Context,
    name: PersonName,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    backup: Annotated[
        list[Path] | None,
        typer.Option(
            "--in", metavar="FILE", help="A backup or another copy to erase it from as well; may be given often."
        ),
    ] = None,
) -> int:
    """Erase a person for good.

    Their readings, payloads, notes, sittings, slots, loans and the lines of the history go, and the file is searched
    octet by octet for what may be left. Copies elsewhere are yours to look after: backups (--in FILE, or delete them),
    exports, and what a relay sent on. A cuff that still holds the records would send them again: clear it first.
    Exit code 3: something is left, and where.

    \b
    Examples (an invented person):
      quietcuff person erase guest
      quietcuff person erase guest --yes --in backups/quietcuff-20310304-031500.db
    """
    options = options_of(ctx)
    for path in backup or []:
        open_store(path, create=False, keep_older=False).close()  # before anything goes
    with writing_store(options) as store:
        if backup and people.find(store, name) is None:
            say(f"there is no {name} here (any more): what was ever erased here is erased there")
            _erase_there(store, backup)
            return DONE
        going = preview(store, name)
        if not yes:
            if not sys.stdin.isatty():
                raise Usage(f"erasing {going.person} cannot be taken back; add --yes to do it without being asked")
            typer.confirm(f"Erase {going.person}: {erased_words(going)}, for good?", abort=True, err=True)
        gone = erase_person(store, going.person)
        tell_erased(gone, store.path)
        _erase_there(store, backup or [])
        tell_copies(options, done=backup or [])
        say("Exports and reports made before may hold them too; see docs/privacy.md")
    return ATTENTION if gone.left or gone.naming else DONE


def _erase_there(store: Store, backups: list[Path]) -> None:
    for path in backups:
        say(f"{path}: {counted(erase_in_backup(store, path), 'payload')} erased")
