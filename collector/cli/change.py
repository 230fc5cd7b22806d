"""`quietcuff change`: before and after a change of regimen, with how sure the difference is."""

from collections.abc import Iterator
from datetime import date
from shlex import quote
from typing import Annotated

import typer

from collector.cli.common import dates
from collector.cli.common.asked_series import JsonOption, ProtocolName, Whose, asked, samples_of
from collector.cli.common.command import ATTENTION, DONE, Usage, new_app, options_of, out, tell
from collector.cli.common.output import out_json, out_table, out_wrapped, terminal_width
from collector.cli.common.selection import reading_store
from collector.numbers import words
from collector.numbers.average import Average
from collector.numbers.change import Change
from collector.numbers.change import change as compare
from collector.numbers.json_fields import change_fields
from collector.share.text.change_text import HEADING, change_words, difference_rows
from collector.share.text.findings import days
from collector.share.text.layout import fits, visible
from collector.store.people import notes
from collector.store.people.notes import Note

app = new_app()


@app.command()
def change(
    ctx: typer.Context,
    person: Whose,
    at: Annotated[
        str | None,
        typer.Option(
            "--at", metavar="DATE", help="Day of the change; else the last one noted that has readings after it."
        ),
    ] = None,
    protocol: ProtocolName = None,
    wait: Annotated[
        int, typer.Option("--wait", metavar="DAYS", min=0, max=120, help="Days after the change that are left out.")
    ] = 14,
    as_json: JsonOption = False,
) -> int:
    """Compare the days before and after a change of regimen.

    Both sides are series by the same protocol, from day means; neither reaches over another noted change. What made a
    difference cannot be told from it: read the cautions. Where one side is too short, nothing is compared and the exit
    code is 3.

    \b
    Examples (invented people):
      quietcuff note add mira 2031-03-20 "new tablet in the morning"
      quietcuff change mira
      quietcuff change mira --at 2031-03-20 --json
    """

    options = options_of(ctx)
    with reading_store(options, central=True) as store:
        wanted = asked(options, store, person, protocol, None, None)
        noted = notes.every(store, wanted.person, notes.REGIMEN)
        samples = samples_of(store, wanted)
    day = dates.day(at, "--at") or _last(noted, wanted.person, samples[-1].taken_at.date() if samples else None)
    found = compare(
        samples, day, wanted.protocol, wanted.plan, wait, other_changes=[note.day for note in noted if note.day != day]
    )
    told = "; ".join(visible(note.text) for note in noted if note.day == day)
    if as_json:
        out_json(change_fields(found, wanted.person, told))
    else:
        out_wrapped(f"{visible(wanted.person)}, change of {day}{f': {told}' if told else ''}")
        out("")
        if rows := list(difference_rows(found, sessions=True)):
            if fits([HEADING, *rows], terminal_width(), 24):
                out_table(rows, HEADING)
            else:
                for row in rows:
                    out_wrapped(NARROW.format(*row))
            out("")
        out_table(_sides(found))
    tell([*change_words(found), words.caution(options.config.station.emergency_number)])
    return ATTENTION if found.refused else DONE


NARROW = "{0}: {1} before, {2} after, {3} mmHg; 95 % {4}"


def _last(noted: "list[Note]", person: str, newest: date | None) -> date:
    """The last noted change that there are readings after, else the last one."""
    if not noted:
        raise Usage(
            f"no change of regimen is noted for {person}; give --at DATE, or note it: "
            f'`quietcuff note add {quote(person)} DATE "what changed"`'
        )
    return next((note.day for note in reversed(noted) if newest and note.day <= newest), noted[-1].day)


def _sides(found: Change) -> Iterator[tuple[str, str]]:
    yield "before", _side(found.before)
    yield "left out", f"{found.washout_days} days from the change on"
    yield "after", _side(found.after)
    yield "protocol", f"{found.protocol.name}, on both sides"


def _side(side: Average) -> str:
    if not side.taken:
        return "no readings"
    return f"{side.first} to {side.last}, {side.used} of {side.taken} readings used, on {days(side.days_used)}"
