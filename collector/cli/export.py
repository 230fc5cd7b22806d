"""`quietcuff export`: readings for other programs."""

import os
import sys
from collections.abc import Callable, Iterator
from enum import StrEnum
from functools import partial
from itertools import chain, islice
from pathlib import Path
from typing import Annotated, TextIO

import typer

from collector.cli.frame import new_app, of, say
from collector.cli.selecting import Cuff, Person, Since, Unassigned, Until, reading_store, selection
from collector.store.values import Reading

app = new_app()


class Format(StrEnum):
    CSV = "csv"
    NDJSON = "ndjson"


@app.command()
def export(
    ctx: typer.Context,
    to: Annotated[Format, typer.Option(help="csv opens in a spreadsheet; ndjson is one JSON object a line.")],
    person: Person = None,
    since: Since = None,
    until: Until = None,
    cuff: Cuff = None,
    unassigned: Unassigned = False,
    output: Annotated[Path | None, typer.Option(
        "--output", "-o", metavar="FILE", help="Write to a file, never a half one.")] = None,
) -> None:
    """Write readings as CSV or NDJSON.

    One reading a row, oldest first, with the same names in both formats. Numbers keep the digits the cuff
    sent. In CSV a text that begins with = + - @ or ' gets a ' in front, so that no spreadsheet runs it. Of
    --until, a date counts in whole. A file can be read by you alone.

    \b
    Examples:
      quietcuff export --to csv --person mira --since 2031-03-01 -o march.csv
      quietcuff export --to ndjson | jq -r .systolic
    """
    from collector.share.rows import write_csv, write_ndjson
    from collector.store.readings import select

    around = of(ctx)
    chosen = selection(around, since=since, until=until, cuff=cuff, person=person, unassigned=unassigned)
    write = write_csv if to is Format.CSV else write_ndjson
    with reading_store(around) as store:
        readings = _begun(select(store, chosen))
        to_file = partial(write, readings)
        count = to_file(sys.stdout) if output is None else _to_file(output, to_file)
    if count == 0:
        say("no readings match")
    elif output is not None:
        say(f"{count} reading{'' if count == 1 else 's'} written to {output}")


def _begun(readings: Iterator[Reading]) -> Iterator[Reading]:
    """The same, with the first one read: what is wrong with the choice is told before anything is written."""
    first = list(islice(readings, 1))
    return chain(first, readings)


def _to_file(path: Path, write: Callable[[TextIO], int]) -> int:
    """Write a file that is either whole or not there. Health data: its owner alone may read it."""
    partial = path.with_name(path.name + ".part")
    descriptor = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        with open(descriptor, "w", encoding="utf-8", newline="") as file:
            count = write(file)
            file.flush()
            os.fsync(file.fileno())
        os.replace(partial, path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise
    return count
