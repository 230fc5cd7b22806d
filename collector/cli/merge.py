"""`quietcuff merge`: bring another station's store in."""

import sys
from datetime import UTC, datetime
from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from collector import intake
from collector.cli.common.command import new_app, options_of, progress, say
from collector.cli.common.selection import made_store
from collector.intake.merging import merge as bring_in
from collector.share.text.layout import counted
from collector.store import people, readings
from collector.store.database import Store
from collector.store.people import unions

app = new_app()


@app.command()
def merge(
    ctx: typer.Context,
    other: Annotated[list[Path], typer.Argument(metavar="OTHER.db…", help="Stores of other stations; only read.")],
) -> None:
    """Bring another station's store in.

    Every payload is kept once, and every reading follows from them all: the order does not matter, nor how often a
    store is merged. A reading that two stations received is one reading with two sightings. People, slots, claims,
    notes and loans come along; where there is no store yet, one is made. Who is who among people of one name is asked
    at a terminal. Where two stations say different things of one slot, the later change holds. A store with anything in
    it that no quietcuff writes is refused whole.

    \b
    Examples:
      quietcuff merge /media/stick/upstairs.db
      quietcuff --store all.db merge north.db south.db
    """
    with made_store(options_of(ctx)) as store:
        for path in other:
            with progress(f"{path.name}: payloads looked at") as show:
                brought = bring_in(store, path, show)
            erased = f", {brought.erased} stay out, erased here" if brought.erased else ""
            say(f"{path}: {counted(brought.payloads, 'new payload')}, {brought.known} known{erased}")
            if brought.gone:
                say(f"somebody was erased there: {counted(brought.gone, 'reading')} of theirs went here too")
            _tell_what_is_left(readings.nobodys(store, brought.of_the_erased))
        _who_is_who(store)
        count, left = readings.count(store), readings.unassigned(store)
        say(f"the store has {counted(count, 'reading')} now" + (f", {left} of them nobody's" if left else ""))


def _tell_what_is_left(nobodys: int) -> None:
    """Of somebody erased: by a slot, which may be another's by now."""
    if nobodys:
        they, are = ("reading that was", "is") if nobodys == 1 else ("readings that were", "are")
        say(
            f"{nobodys} {they} somebody's who is erased {are} nobody's now, received in that slot at a station that "
            "did not know of the erase (`quietcuff readings --unassigned`); claimed for somebody who is then erased, "
            "they are gone"
        )


def _who_is_who(store: Store) -> None:
    """Two stations may each have added one person, or two of one name: only somebody who knows them can tell."""
    for name, called in people.namesakes(store).items():
        first, *others = called
        for other in others:
            asked = f"Is {other} the same person as {first}?"
            if sys.stdin.isatty() and typer.confirm(asked, err=True):
                with store.transaction():
                    unions.unite(store, first, other, datetime.now(UTC))
                    intake.reassign(store)
                say(f"{first} and {other} are one person now")
            else:
                say(
                    f"two are called '{name}': `quietcuff person unite {quote(first)} {quote(other)}` if they are one, "
                    f"`quietcuff person rename {quote(other)} NAME` if not"
                )
