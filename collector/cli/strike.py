"""`quietcuff strike`: a reading that is to count no longer."""

from datetime import UTC, datetime
from typing import Annotated

import typer

from collector.cli.common.command import new_app, options_of, say
from collector.cli.common.selection import found_readings, writing_store
from collector.share.text.layout import counted
from collector.store.readings import strikes
from collector.store.values import STANDING, STRUCK_OUT

app = new_app()


@app.command()
def strike(
    ctx: typer.Context,
    readings: Annotated[
        list[str], typer.Argument(metavar="READING…", help="By id, or how it begins, or by time (2031-03-04T07:30).")
    ],
    standing: Annotated[
        bool, typer.Option("--standing", help="Taken standing: shown beside the one taken sitting just before.")
    ] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take it back: they count again.")] = False,
) -> None:
    """Have readings count no longer: another person's arm, a cuff that slipped, a child at play.

    They stay in the store, with the mark 'struck out', and in every list; averages, reports and trends leave them out.
    It is written down when that was done, and `--undo` takes it back. With --standing the mark is 'taken standing', and
    `average` and the report set it beside the last reading taken sitting, of the same ten minutes.

    \b
    Examples:
      quietcuff strike 3f9a
      quietcuff strike 3f9a --undo
      quietcuff strike 2031-03-04T07:35 --standing
    """
    options = options_of(ctx)
    now = datetime.now(UTC)
    with writing_store(options) as store, store.transaction():
        found = found_readings(store, readings, options.zone)
        for reading in found:
            if undo:
                strikes.undo(store, reading.reading_id, now)
            else:
                strikes.strike(store, reading.reading_id, now, STANDING if standing else STRUCK_OUT)
    count = counted(len(found), "reading")
    what = "marked as taken standing" if standing else "struck out"
    say(f"{count} counted again" if undo else f"{count} {what}; `quietcuff strike … --undo` takes it back")
