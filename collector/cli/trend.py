"""`quietcuff trend`: how values moved over weeks and months, as a plot in characters and a table."""

import sys
from typing import Annotated

import typer

from collector.cli.common.asked_series import JsonOption, LastDay, ProtocolName, Whose, asked, samples_of
from collector.cli.common.command import ATTENTION, DONE, Usage, new_app, options_of, out, tell
from collector.cli.common.output import out_json, out_lines, out_table, terminal_width
from collector.cli.common.selection import reading_store
from collector.numbers import words
from collector.numbers.json_fields import trend_fields
from collector.numbers.plot import trend_text
from collector.numbers.trend import trend as follow
from collector.share.text.layout import fits
from collector.share.text.trend_text import AT_OR_ABOVE, WEEKS_AT_MOST, trend_rows
from collector.store.people import notes

app = new_app()

USUAL_WIDTH = 72  # in a pipe


@app.command()
def trend(
    ctx: typer.Context,
    person: Whose,
    weeks: Annotated[bool, typer.Option("--weeks", help="A row a week, from Monday on.")] = False,
    months: Annotated[bool, typer.Option("--months", help="A row a month.")] = False,
    first: Annotated[
        str | None, typer.Option("--since", metavar="DATE", help="First day; else that of the first reading.")
    ] = None,
    last: LastDay = None,
    protocol: ProtocolName = None,
    window: Annotated[
        int, typer.Option(metavar="DAYS", min=1, max=365, help="Days that the moving mean takes together.")
    ] = 7,
    as_json: JsonOption = False,
) -> int:
    """Show how a person's values moved.

    The plot has the mean of the last 7 days, its 95 % band, the threshold and the noted changes; the table the mean of
    each week or month. All usable readings count here, also those of days that an average leaves out.

    \b
    Examples (invented people):
      quietcuff trend mira
      quietcuff trend mira --months --since 2030-01-01
      quietcuff trend mira --json
    """

    if weeks and months:
        raise Usage("--weeks and --months cannot go together; give one of them")
    options = options_of(ctx)
    with reading_store(options, central=True) as store:
        wanted = asked(options, store, person, protocol, first, last)
        noted = notes.every(store, wanted.person, notes.REGIMEN)
        samples = samples_of(store, wanted)
    found = follow(samples, wanted.protocol, wanted.plan, wanted.first, wanted.last, window)
    if as_json:
        out_json(trend_fields(found, wanted.person, [(note.day, note.text) for note in noted]))
    elif found.days:
        monthly = months or (not weeks and len(found.weeks) > WEEKS_AT_MOST)
        width = terminal_width()
        days = [note.day for note in noted]
        out_lines(trend_text(found, width or USUAL_WIDTH, changes=days, ascii_only=not _draws()))
        out("")
        heading, rows = trend_rows(found, monthly)
        if not fits([heading, *rows], width):
            heading, rows = heading[:3], [row[:3] for row in rows]
        out_table(rows, heading, frozenset({1, 2, 3}))
        out(f"* {AT_OR_ABOVE}")
    number = options.config.station.emergency_number
    tell([words.caution(number)] if found.days else [f"no usable reading of {wanted.person} in these days"])
    return DONE if found.days else ATTENTION


def _draws() -> bool:
    """Whether the terminal can show the plot's signs."""
    try:
        "●┄▲└┤─│".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
