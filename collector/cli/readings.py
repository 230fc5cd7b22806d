"""`quietcuff readings`: the readings, for people at a terminal and as JSON."""

import sys
from collections.abc import Iterator
from typing import Annotated

import typer

from collector.cli.common.command import MANY, new_app, options_of, say, tell
from collector.cli.common.output import out_lines, terminal_width
from collector.cli.common.selection import (
    OfCuff,
    OfPerson,
    PersonOption,
    Since,
    Unassigned,
    Until,
    person_of,
    reading_store,
    selection,
)
from collector.cli.readings_origin import tell as tell_about
from collector.share.export.rows import write_ndjson
from collector.share.text.cautions import caution, very_high
from collector.share.text.layout import counted
from collector.share.text.reading_table import View, lines
from collector.store import journal
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.readings import select
from collector.store.values import Reading

app = new_app()

USUAL_LAST = 20


@app.command()
def readings(
    ctx: typer.Context,
    of_person: OfPerson = None,
    last: Annotated[
        int | None, typer.Option("--last", "-n", metavar="N", min=1, max=MANY, help="Only the newest N.")
    ] = None,
    since: Since = None,
    until: Until = None,
    cuff: OfCuff = None,
    person: PersonOption = None,
    unassigned: Unassigned = False,
    everything: Annotated[bool, typer.Option("--all", help="All of them, not the newest 20.")] = False,
    about: Annotated[
        str | None,
        typer.Option(metavar="READING", help="This one: how it came, how its time was come by, whose it was made."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a reading.")] = False,
) -> None:
    """Show readings, oldest first.

    Without a choice of time the table holds the newest 20, and --json all. Times carry their offset. A date
    stands for the whole day of the station's clock: --until 2031-03-07 includes the 7th, and --until
    2031-03-07T12:00 ends before noon. Remarks say what the cuff flagged and how the time was come by.

    \b
    Examples:
      quietcuff readings --last 5
      quietcuff readings mira --since 2031-03-01 --until 2031-03-07
      quietcuff readings --cuff kitchen --json | tail -n 1
      quietcuff readings --about 3f9a
    """
    options = options_of(ctx)
    if about is not None:
        with reading_store(options) as store:
            tell_about(store, about, as_json)
        return
    cut = not (as_json or everything or since or until or last)
    chosen = selection(
        options,
        since=since,
        until=until,
        cuff=cuff,
        person=person_of(of_person, person),
        unassigned=unassigned,
        last=USUAL_LAST if cut else last,
    )
    with reading_store(options, central=True) as store:
        found = select(store, chosen)
        count = _json(found) if as_json else show(store, found, options.config.station.emergency_number)
        if count == 0:
            _say_none(store)
        elif cut and count == USUAL_LAST:
            say(f"the newest {USUAL_LAST}; --all shows all")


def _json(found: Iterator[Reading]) -> int:
    return write_ndjson(found, sys.stdout)


def show(store: Store, found: Iterator[Reading], emergency_number: str) -> int:
    count = high = 0

    def counted() -> Iterator[Reading]:
        nonlocal count, high
        for reading in found:
            count += 1
            high += very_high(reading)
            yield reading

    out_lines(lines(counted(), View(terminal_width(), cuff_names(store), very_high)))
    if high:
        tell(caution(emergency_number))
    return count


def cuff_names(store: Store) -> dict[str, str]:
    """Addresses of cuffs to the names we gave them."""
    names = {cuff.address: cuff.name for cuff in cuffs.every(store, forgotten=True) if cuff.name}
    return {cuffs.HAND: "by hand", **names}


def _say_none(store: Store) -> None:
    counts = journal.counts(store)
    if counts.readings:
        say(f"none of the {counted(counts.readings, 'reading')} in {store.path} matches")
    elif counts.payloads:
        say(f"no readings in {store.path} yet, but {counted(counts.payloads, 'payload')}; `quietcuff check` tells why")
    else:
        say(f"no readings in {store.path} yet; `quietcuff listen` collects them, `quietcuff demo` shows how")
