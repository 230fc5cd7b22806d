"""`quietcuff export`: readings for other programs."""

import json
import sys
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC
from enum import StrEnum
from itertools import chain, groupby, islice
from pathlib import Path
from typing import Annotated, Any

import typer

from collector.cli.common.asked_series import asked, samples_of
from collector.cli.common.command import MANY, GlobalOptions, Usage, new_app, options_of, progress, say
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
    writing_store,
)
from collector.numbers.average import average
from collector.service.jobs.export_context import export_context
from collector.service.jobs.relayed_series import as_result
from collector.service.notices.channels import NOTICE_SCHEMA
from collector.share.export.context import ExportContext
from collector.share.export.exported_before import ExportedBefore
from collector.share.export.formats import FORMATS
from collector.share.export.json_schema import schema
from collector.share.private_file import private_file
from collector.share.text.layout import counted
from collector.store.database import Store
from collector.store.readings import count as count_of
from collector.store.readings import select
from collector.store.values import Progress, Reading

app = new_app()


FormatChoice = StrEnum("FormatChoice", {name.upper().replace("-", "_"): name for name in FORMATS})  # type: ignore[misc]


HELP = """Write readings for other programs.

\b
{formats}

Oldest first, with the digits that the cuff sent. In CSV a text that begins with = + - @ or ' gets a ' in
front, so that no spreadsheet runs it. Of --until, a date counts in whole. A file can be read by you alone.
docs/exchange.md has every column and element.

\b
Examples:
  quietcuff export mira --to csv --since 2031-03-01 -o march.csv
  quietcuff export --to ndjson | jq -r .systolic
  quietcuff export --to fhir --only-new -o news.json
  quietcuff export mira --to fhir --average nice-ng136 -o mira.json
"""


@app.command(help=HELP.format(formats="\n".join(f"{one.name:18}{one.about}" for one in FORMATS.values())))
def export(
    ctx: typer.Context,
    of_person: OfPerson = None,
    to: Annotated[FormatChoice | None, typer.Option(help="The format, see above.")] = None,
    person: PersonOption = None,
    since: Since = None,
    until: Until = None,
    cuff: OfCuff = None,
    unassigned: Unassigned = False,
    only_new: Annotated[
        bool,
        typer.Option("--only-new", help="Only what no earlier --only-new export to this format had, or had otherwise."),
    ] = False,
    average: Annotated[
        str | None, typer.Option(metavar="PROTOCOL", help="In FHIR, also PERSON's average of the most recent series.")
    ] = None,
    batch: Annotated[
        int, typer.Option(min=0, max=MANY, metavar="N", help="FHIR Bundles of at most N readings, one Bundle a line.")
    ] = 0,
    by_month: Annotated[
        bool, typer.Option("--by-month", help="Parquet: a file a month (UTC) in the folder --output.")
    ] = False,
    schema: Annotated[
        bool, typer.Option("--schema", help="Print the JSON Schema of NDJSON, MQTT and notices, and do no more.")
    ] = False,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FILE", help="Write to a file, never a half one.")
    ] = None,
) -> None:
    if schema:
        show_schema()
        return
    if to is None:
        raise Usage(f"--to is missing; the formats are {', '.join(FORMATS)}")
    options = options_of(ctx)
    person = person_of(of_person, person)
    chosen = selection(options, since=since, until=until, cuff=cuff, person=person, unassigned=unassigned)
    form = FORMATS[to.value]
    if average is not None and (person is None or not form.name.startswith("fhir")):
        raise Usage("--average goes with PERSON and a FHIR format")
    if batch and form.name not in ("fhir", "fhir-transaction"):
        raise Usage("--batch goes with --to fhir or fhir-transaction")
    if by_month and (form.name != "parquet" or output is None or only_new):
        raise Usage("--by-month goes with --to parquet and a folder as --output, and without --only-new")
    if form.binary and output is None and sys.stdout.isatty():
        raise Usage(f"{form.name} cannot be shown in a terminal; name a file with --output")
    if only_new and output is None and sys.__stdout__ is None:  # else it would count as handed out
        raise Usage("--only-new has nowhere to write to, standard output is closed; name a file with --output")
    opened = writing_store(options) if only_new else reading_store(options, central=True)
    with opened as store, progress("exporting, readings") as show:
        before = ExportedBefore(store, form.name) if only_new else None
        total = 0 if before or not sys.stderr.isatty() else count_of(store, chosen)

        found = select(store, chosen)
        readings = _begun(_shown(before.new_among(found) if before else found, total, show))
        context = ExportContext() if form.alone else replace(export_context(store, options.config), batch=batch)
        if average is not None and person is not None:
            context = _with_average(options, store, context, person, average)

        def to_file(file: Any, those: Iterable[Reading] = readings) -> int:
            return form.load()(those, file, context)

        if output is None:
            count = to_file(sys.stdout.buffer if form.binary else sys.stdout)
            sys.stdout.flush()
        elif by_month:
            count = 0
            output.mkdir(mode=0o700, parents=True, exist_ok=True)
            for month, those in groupby(readings, lambda one: f"{one.taken_at.astimezone(UTC):%Y-%m}"):
                with private_file(output / f"{month}.parquet", binary=True) as file:
                    count += to_file(file, those)
        else:
            with private_file(output, binary=form.binary) as file:
                count = to_file(file)
        if before:
            before.keep()
    if count == 0:
        say("no new readings" if only_new else "no readings match")
    elif output is not None:
        say(f"{counted(count, 'reading')} written to {output}")


def show_schema() -> None:
    print(json.dumps(schema({"notice": NOTICE_SCHEMA}), indent=2))


def _shown(readings: Iterator[Reading], total: int, show: Progress) -> Iterator[Reading]:
    for done, reading in enumerate(readings):
        if not done & 1023 and total:
            show(done, total)
        yield reading


def _begun(readings: Iterator[Reading]) -> Iterator[Reading]:
    """The same, with the first one read: what is wrong with the choice is told before anything is written."""
    first = list(islice(readings, 1))
    return chain(first, readings)


def _with_average(
    options: GlobalOptions, store: Store, context: ExportContext, person: str, protocol: str
) -> ExportContext:
    """The surroundings with the average in them. A series that is too short gives none, and that is said."""
    wanted = asked(options, store, person, protocol, None, None)
    samples = samples_of(store, wanted)
    found = average(samples, wanted.protocol, wanted.plan, None, None)
    result = as_result(wanted.person, found, samples)
    if result is None:
        say(f"no average for {wanted.person}: {'; '.join(found.short_of) or 'nothing to reckon from'}")
        return context
    return replace(context, averages=(result,))
