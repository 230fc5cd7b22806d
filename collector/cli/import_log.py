"""`quietcuff import`: hand-written logs."""

import codecs
import shutil
import sys
import tempfile
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Annotated, BinaryIO

import typer

from collector.cli.common.command import (
    ATTENTION,
    COULD_NOT,
    DONE,
    Failure,
    GlobalOptions,
    Usage,
    new_app,
    options_of,
    progress,
    say,
)
from collector.cli.common.dates import local, minute
from collector.cli.common.selection import PersonOption, made_store, person_of
from collector.intake.other_clock import by_another_clock
from collector.intake.pipeline import catch_up
from collector.intake.sources.hand_log import HandRow
from collector.intake.sources.hand_log_file import BadLine, DateOrder, LogReader
from collector.intake.take_log import take_log
from collector.service import machine_clock
from collector.service.config import zone_of
from collector.share.text.layout import counted
from collector.store import people, readings
from collector.store.journal import stations
from collector.store.readings import copies
from collector.store.values import Reading

app = new_app()

STDIN = Path("-")
SHOWN = 20  # bad lines told one by one


@app.command("import")
def import_log(
    ctx: typer.Context,
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The log (CSV in UTF-8) or the export; - is standard input.")
    ],
    of_person: Annotated[
        str | None, typer.Argument(metavar="[PERSON]", help="Whose it is, where the file does not say.")
    ] = None,
    person: PersonOption = None,
    dates: Annotated[
        DateOrder | None, typer.Option(help="How dates are written that do not begin with the year.")
    ] = None,
    skip_bad: Annotated[bool, typer.Option("--skip-bad", help="Take the good lines, leave the bad.")] = False,
    as_written: Annotated[
        bool, typer.Option("--as-written", help="Take a systolic below its diastolic as it stands.")
    ] = False,
) -> int:
    """Take a hand-written log, or an export of quietcuff's, into the store.

    An export (NDJSON, a FHIR Bundle or FHIR bulk NDJSON) brings each reading that is not there yet, as it was.

    The first line of a log names the columns: taken_at (or date and time), systolic, diastolic, and pulse and
    person where there are any; usual other names for them are known, and other columns become the note. Pressures
    in mmHg. Times are ISO 8601, or dates in another order with --dates, by the station's clock unless they carry an
    offset. Nothing is taken unless all lines are good or --skip-bad is given. The same line again adds nothing, so a
    log that has grown can be imported anew. Hand-written readings stay apart from the cuffs' and are shown as such;
    unlikely values are taken and marked. A - in both pressures is a measurement that gave no value.

    \b
    Example (invented):
      $ cat log.csv
      taken_at,systolic,diastolic,pulse,person,arm
      2031-03-04 07:30,128,81,64,mira,left
      $ quietcuff import log.csv
    """
    options = options_of(ctx)
    person = person_of(of_person, person)
    name = "standard input" if file == STDIN else str(file)
    with _opened(file) as stream:
        if _looks_like_ours(stream):
            if person or skip_bad or dates or as_written:
                raise Usage("an export says whose each reading is and when it was taken: it is taken without options")
            from collector.cli.import_own_export import take_back  # brings all of FHIR, which a log needs not

            take_back(options, stream, name)
            return DONE
        octets = stream.read()
    with made_store(options) as store, store.roomy():
        machine_clock.bear_nothing_out(store)
        reader = LogReader(
            lambda wall: local(wall, options.zone),
            machine_clock.now(),
            person=person,
            dates=dates,
            as_written=as_written,
            find=cache(lambda name: people.need(store, name)),
        )
        stations.set_zone(store, zone_of(options.config), datetime.now(UTC))
        catch_up(store)
        if person:
            people.need(store, person)
        lines = list(reader.read(octets, name))
        good = [line for line in lines if not isinstance(line, BadLine)]
        bad = [line for line in lines if isinstance(line, BadLine)]
        if any(line.not_yet for line in bad) and (doubt := machine_clock.doubt(store)):
            raise Failure(doubt)
        _tell(name, bad)
        elsewhere = by_another_clock(store, good)
        _tell_of_another_clock(name, elsewhere)
        lost = len(bad) + len(elsewhere)
        if lost and not skip_bad:
            say(
                f"nothing was taken: mend {'that line' if lost == 1 else f'those {lost} lines'}, "
                "or take the good ones with --skip-bad"
            )
            return COULD_NOT
        with progress("lines taken") as show:
            ours = [row for row in good if row not in elsewhere] if elsewhere else good
            taken = take_log(store, ours, machine_clock.now(), show)
        copied = copies.count(store, taken.reading_ids)
        mended = [readings.get(store, one) for one in taken.told_no_more]
    there = f", {taken.there} were there already" if taken.there else ""
    left = f", {lost} left out" if lost else ""
    say(f"{counted(taken.new, 'reading')} taken from {name}{there}{left}")
    if copied:
        are = "is" if copied == 1 else "are"
        say(f"{copied} of them {are} in the store from a cuff already: kept, and counted once")
    _tell_of_told_no_more(options, mended)
    return ATTENTION if lost or mended else DONE


def _opened(file: Path) -> BinaryIO:
    """The file; of standard input a copy that can be read twice, which no other program sees."""
    try:
        if file != STDIN:
            return file.open("rb")
        copy = tempfile.TemporaryFile()  # noqa: SIM115, closed by the caller
        shutil.copyfileobj(sys.stdin.buffer, copy)
        copy.seek(0)
        return copy
    except OSError as error:
        reason = (error.strerror or "").lower()
        raise Failure(f"{file}: cannot be read ({reason}); give the path of a file") from None


def _looks_like_ours(stream: BinaryIO) -> bool:
    """Whether a file begins like JSON: an NDJSON export, a FHIR Bundle or bulk NDJSON."""
    start = stream.read(4096)
    stream.seek(0)
    return start.removeprefix(codecs.BOM_UTF8).lstrip().startswith(b"{")


def _tell(file: str, bad: list[BadLine]) -> None:
    for line in bad[:SHOWN]:
        say(f"quietcuff: {file}, line {line.number}: {line.reason}")
    if len(bad) > SHOWN:
        say(f"quietcuff: {file}: and {len(bad) - SHOWN} more bad lines")


def _tell_of_told_no_more(options: GlobalOptions, earlier: Sequence[Reading]) -> None:
    if earlier:
        those = "1 earlier reading at the time of a new line is"
        if len(earlier) > 1:
            those = f"{len(earlier)} earlier readings at the times of new lines are"
        first = f"{earlier[0].systolic}/{earlier[0].diastolic} at {minute(earlier[0].taken_at, options.zone)}"
        ids = " ".join(one.reading_id[:8] for one in earlier)  # all: taken in again, the log tells of none
        say(
            f"{those} not in this log: {first}. Both count; where a line was put right, take out what it said before: "
            f"`quietcuff strike {ids}`"
        )


def _tell_of_another_clock(file: str, elsewhere: Mapping[HandRow, datetime]) -> None:
    if elsewhere:
        lines = "line stands" if len(elsewhere) == 1 else "lines stand"
        first = min(elsewhere.values()).isoformat(" ", "minutes")
        say(
            f"quietcuff: {file}: {len(elsewhere)} {lines} here already by another clock, the first as {first}; zone "
            "under [station] says by which clock a log is read, else give its times their offset; if those here are "
            "wrong, `quietcuff strike` them first"
        )
