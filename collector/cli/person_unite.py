"""`quietcuff person unite`: two people of the store who are one."""

import sys
from datetime import UTC, datetime
from typing import Annotated

import typer

from collector.cli.common.command import Usage, options_of, say
from collector.cli.common.selection import writing_store
from collector.cli.person_ownership import PersonName
from collector.intake.pipeline import reassign
from collector.share.text.layout import counted
from collector.store.people import unions


def unite(
    ctx: typer.Context,
    name: PersonName,
    other: Annotated[str, typer.Argument(metavar="OTHER", help="The same person under another name.")],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Make two people one: everything of OTHER becomes PERSON's.

    Two stations may each have added the same person; after `merge` the store knows two. Readings, slots, notes,
    sittings and loans of OTHER become PERSON's, and so does whatever a later merge brings in under OTHER. It cannot be
    taken back: shows first what would move. Where both have one name, the list shows how each is called.

    \b
    Examples (invented people):
      quietcuff person unite mira m1
      quietcuff person unite mira#0b51f6aa mira#7ac1e2d9 --yes
    """
    options = options_of(ctx)
    with writing_store(options) as store:
        union = unions.preview(store, name, other)
        say(
            f"{union.other} → {union.kept}: {counted(union.readings, 'reading')}, {counted(union.slots, 'slot')}, "
            f"{counted(union.notes, 'note')}, {counted(union.sittings, 'sitting')}, {counted(union.loans, 'loan')}"
        )
        if not yes:
            if not sys.stdin.isatty():
                raise Usage("this cannot be taken back; add --yes to do it without being asked")
            typer.confirm(f"Make all of that {union.kept}'s?", abort=True, err=True)
        with store.transaction():
            unions.unite(store, name, other, datetime.now(UTC))
            reassign(store)
    say(f"{union.other} is part of {union.kept} now")
    if union.other in options.config.people:
        say(
            f"[people.{union.other}] of the configuration is not used any longer; move what holds to "
            f"[people.{union.kept}]"
        )
