"""`quietcuff person erase`: a person's readings and everything that tells of them, for good."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from collector.cli.common.command import ATTENTION, DONE, Usage, of, say
from collector.cli.common.selection import writing_store
from collector.cli.person_ownership import Name
from collector.intake.erasure import erase_in_backup, erase_person
from collector.store import people


def erase(
    ctx: typer.Context,
    name: Name,
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
    with writing_store(of(ctx)) as store:
        person = people.need(store, name)
        if not yes:
            if not sys.stdin.isatty():
                raise Usage(f"erasing {person.name} cannot be taken back; say --yes to do it without being asked")
            typer.confirm(f"Erase {person.name} and {person.readings} readings for good?", abort=True, err=True)
        gone = erase_person(store, person.name)
        say(f"{gone.person} is erased: {gone.readings} readings, {gone.payloads} payloads, {gone.notes} notes")
        for path in backup or []:
            say(f"{path}: {erase_in_backup(store, path)} payloads are erased")
        if gone.left:
            say(
                f"{len(gone.left)} traces of {gone.searched} are still in {store.path}; stop other programs that use "
                "the store, then erase again"
            )
            return ATTENTION
        say(
            f"searched {store.path} for {gone.searched} traces: none is left. Backups and exports made before may "
            "still hold them; see docs/privacy.md"
        )
    return DONE
