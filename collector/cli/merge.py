"""`quietcuff merge`: bring another station's store in."""

from pathlib import Path
from typing import Annotated

import typer

from collector.cli.common.command import new_app, of, progress, say
from collector.cli.common.selection import writing_store
from collector.intake.merging import merge as bring_in

app = new_app()


@app.command()
def merge(
    ctx: typer.Context,
    other: Annotated[list[Path], typer.Argument(metavar="OTHER.db…", help="Stores of other stations; only read.")],
) -> None:
    """Bring another station's store in.

    Every payload is kept once, and every reading follows from them all: the order does not matter, nor how often a
    store is merged. A reading that two stations received is one reading with two sightings. People, slots, claims,
    notes and loans come along. Where two stations say different things of one slot, the later change holds.

    \b
    Examples:
      quietcuff merge /media/stick/upstairs.db
      quietcuff --store all.db merge north.db south.db
    """
    with writing_store(of(ctx)) as store:
        for path in other:
            with progress(f"{path.name}: payloads looked at") as show:
                brought = bring_in(store, path, show)
            erased = f", {brought.erased} stay out, erased here" if brought.erased else ""
            say(f"{path}: {brought.payloads} payloads were new, {brought.known} known{erased}")
