"""`quietcuff note …`: what happened on a day, such as a change of regimen, to see averages against."""

from datetime import UTC, datetime
from enum import StrEnum
from shlex import quote
from typing import Annotated

import typer

from collector.cli.common import dates
from collector.cli.common.asked_series import Whose
from collector.cli.common.command import new_app, options_of, say
from collector.cli.common.output import out_json, out_table
from collector.cli.common.selection import reading_store, writing_store
from collector.store.people import notes

app = new_app("""Note what happened on a day, such as a change of regimen.

    Of a dose only the time is noted, so that the average can say how many hours after it the readings were taken.
    Changes of regimen show in the report's plot, and `quietcuff change` compares before and after. A note is a line in
    your own words; the clinic decides what changes.

    \b
    Examples (invented):
      quietcuff note add mira 2031-03-20 "new tablet in the morning"
      quietcuff note add mira 2031-04-02 "flew to the Azores" --kind other
      quietcuff note add mira 2031-04-03 07:30 --kind dose
      quietcuff note list mira
    """)


class NoteKind(StrEnum):
    REGIMEN = "regimen"
    DOSE = "dose"
    OTHER = "other"


@app.command("add")
def add_note(
    ctx: typer.Context,
    person: Whose,
    day: Annotated[str, typer.Argument(metavar="DATE", help="The day it happened, say 2031-03-20.")],
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What happened, in a line; of a dose its time.")],
    kind: Annotated[
        NoteKind, typer.Option(help="regimen: medicines or how to live; dose: when one was taken; other: the rest.")
    ] = NoteKind.REGIMEN,
) -> None:
    """Note something on a day.

    \b
    Example (invented):
      quietcuff note add mira 2031-03-20 "new tablet in the morning"
    """

    on = dates.need_day(day, "DATE")
    with writing_store(options_of(ctx)) as store:
        note = notes.add(store, person, on, text, kind, datetime.now(UTC))
    whose = quote(note.person)
    if kind is NoteKind.REGIMEN:
        say(f"noted for {note.person} on {note.day}; `quietcuff change {whose}` will compare before and after")
    else:
        say(f"noted for {note.person} on {note.day}")


@app.command("list")
def list_notes(
    ctx: typer.Context,
    person: Whose,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a note.")] = False,
) -> None:
    """List a person's notes, the oldest first.

    \b
    Example:
      quietcuff note list mira
    """

    with reading_store(options_of(ctx), central=True) as store:
        found = notes.every(store, person)
    if as_json:
        for note in found:
            out_json(
                {
                    "note_id": note.note_id,
                    "person": note.person,
                    "day": note.day.isoformat(),
                    "kind": note.kind,
                    "text": note.text,
                }
            )
    elif found:
        rows = [(note.day.isoformat(), note.kind, note.note_id[:8], note.text) for note in found]
        out_table(rows, ("day", "kind", "id", "text"))
    else:
        say(f"no notes for {person} yet; `quietcuff note add` makes one")


@app.command("remove")
def remove_note(
    ctx: typer.Context,
    person: Whose,
    note_id: Annotated[str, typer.Argument(metavar="ID", help="The note's id, or how it begins.")],
) -> None:
    """Take a note back.

    \b
    Example:
      quietcuff note remove mira 3f9a
    """

    with writing_store(options_of(ctx)) as store:
        note = notes.remove(store, person, note_id, datetime.now(UTC))
    say(f"taken back: {note.day} {note.text}")
