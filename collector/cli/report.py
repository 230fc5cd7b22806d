"""`quietcuff report`: one page for the chart, as HTML or PDF."""

import sys
from collections.abc import Callable
from datetime import UTC, date, datetime
from enum import StrEnum
from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from collector.cli.common import dates
from collector.cli.common.asked_series import Asked, FirstDay, LastDay, ProtocolName, Whose, asked
from collector.cli.common.command import ATTENTION, DONE, Failure, GlobalOptions, Usage, new_app, options_of, say, tell
from collector.cli.common.selection import reading_store
from collector.numbers import words
from collector.share.private_file import private_file
from collector.share.report import render_html, render_pdf
from collector.share.report.data import ReportData
from collector.share.report.gather import WantedReport, gather
from collector.store.database import Store

app = new_app()

STDOUT = Path("-")
"""For who runs this as the service's user, which may not write where they are: their own shell makes the file."""


class Paper(StrEnum):
    A4 = "a4"
    LETTER = "letter"


@app.command()
def report(
    ctx: typer.Context,
    person: Whose,
    output: Annotated[
        Path,
        typer.Option(
            "--output",
            "-o",
            metavar="FILE",
            help="Where to write it; .pdf or .html says which; '-' is a PDF on stdout.",
        ),
    ],
    paper: Annotated[Paper, typer.Option(help="The size of a PDF's page.")] = Paper.A4,
    code: Annotated[str | None, typer.Option(metavar="CODE", help="Stands on the page in place of the name.")] = None,
    first: FirstDay = None,
    last: LastDay = None,
    since: Annotated[
        str | None, typer.Option("--plot-since", metavar="DATE", help="First day of the plot; else half a year back.")
    ] = None,
    protocol: ProtocolName = None,
) -> int:
    """Write the page for the chart: the mean, how far to trust it, every reading, and what was left out.

    One page, readable in black and white. An HTML file has everything in itself and prints on one sheet. Files can be
    read by you alone. Exit code 3: written, but the series is too short, a value was very high, or an irregular pulse
    wants telling.

    \b
    Examples (invented people):
      quietcuff report mira -o mira.pdf
      quietcuff report mira -o mira.html --since 2031-03-04 --until 2031-03-10
      quietcuff report mira -o chart.pdf --paper letter --code K-1042
      quietcuff report mira -o - > mira.pdf
    """

    options = options_of(ctx)
    render = _renderer(output, paper)
    with reading_store(options, central=True) as store:
        wanted = asked(options, store, person, protocol, first, last)
        data = report_data(store, options, wanted, dates.day(since, "--plot-since"), code)
    if not data.average.taken:
        raise Failure(
            f"{wanted.person} has no readings in these days, so there is nothing to report; "
            f"`quietcuff readings {quote(wanted.person)}` shows what there is"
        )
    page = render(data)
    if output == STDOUT:
        typer.get_binary_stream("stdout").write(page)
    else:
        with private_file(output, binary=True) as file:
            file.write(page)
        say(f"written to {output}")
    tell([words.caution(options.config.station.emergency_number)])
    return DONE if data.average.valid and not wants_telling(data) else ATTENTION


def report_data(
    store: Store, options: GlobalOptions, wanted: Asked, since: date | None = None, code: str | None = None
) -> ReportData:
    """What the page shows. Raises StoreError."""
    station = options.config.station
    return gather(
        store,
        WantedReport(
            wanted.person,
            wanted.protocol,
            wanted.plan,
            first=wanted.first,
            last=wanted.last,
            since=since,
            who=code or "",
            emergency=station.emergency_number,
            place=station.name,
        ),
        datetime.now(UTC),
    )


def wants_telling(data: ReportData) -> bool:
    return data.average.irregular.worth_telling or bool(data.very_high)


def _renderer(output: Path, paper: Paper) -> Callable[[ReportData], bytes]:
    """By the file's ending, told before anything is read."""
    kind = output.suffix.lower()
    if output == STDOUT and sys.stdout.isatty():
        raise Usage("--output -: a PDF cannot be shown in a terminal; end the line in > FILE.pdf")
    if kind == ".pdf" or output == STDOUT:
        return lambda data: render_pdf(data, "A4" if paper is Paper.A4 else "Letter")
    if kind in (".html", ".htm"):
        return lambda data: render_html(data).encode()
    raise Usage(f"--output {output}: the name's ending says the format; end it in .pdf or .html")
