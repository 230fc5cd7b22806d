"""`quietcuff import`: hand-written logs."""

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from collector.cli.common import dates
from collector.cli.common.command import ATTENTION, COULD_NOT, DONE, Usage, new_app, of, progress, say
from collector.cli.import_own_export import looks_like_ours, take_back
from collector.intake import HAND_CHARACTERISTIC, interpret
from collector.intake.owner import assign_reading
from collector.intake.sources import hand_log_file
from collector.intake.sources.hand_log import HandRow
from collector.intake.sources.hand_log_file import BadLine
from collector.store import journal, people
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import cuffs
from collector.store.opening import open_store
from collector.store.readings import claims

app = new_app()

SHOWN = 20  # bad lines told one by one


@app.command("import")
def import_log(
    ctx: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The log (CSV in UTF-8) or the export.")],
    person: Annotated[
        str | None, typer.Option(metavar="PERSON", help="Whose it is, where the file does not say.")
    ] = None,
    skip_bad: Annotated[bool, typer.Option("--skip-bad", help="Take the good lines, leave the bad.")] = False,
) -> int:
    """Take a hand-written log, or an export of quietcuff's, into the store.

    An export (NDJSON, a FHIR Bundle or FHIR bulk NDJSON) brings each reading that is not there yet, as it was.

    The first line of a log names the columns: taken_at, systolic, diastolic, and pulse and person where there
    are any; other columns become the note. Pressures in mmHg. Times are ISO 8601, by the station's clock unless
    they carry an offset. Nothing is taken unless all lines are good or --skip-bad is given. The same line
    again adds nothing, so a log that has grown can be imported anew. Hand-written readings stay apart from
    the cuffs' and are shown as such; unlikely values are taken and marked.

    \b
    Example (invented):
      $ cat log.csv
      taken_at,systolic,diastolic,pulse,person,arm
      2031-03-04 07:30,128,81,64,mira,left
      $ quietcuff import log.csv
    """
    around = of(ctx)
    if looks_like_ours(file):
        if person or skip_bad:
            raise Usage("--person and --skip-bad are for hand-written logs; an export says whose each reading is")
        take_back(around, file)
        return DONE
    with open_store(around.store_path) as store:
        _need_people(store, {person} if person else set())
        now = datetime.now(UTC)
        lines = list(hand_log_file.read(file, lambda wall: dates.local(wall, around.zone), now, person))
        good = [line for line in lines if not isinstance(line, hand_log_file.BadLine)]
        bad = [line for line in lines if isinstance(line, hand_log_file.BadLine)]
        _tell(file, bad)
        if bad and not skip_bad:
            say(
                f"nothing was taken: mend {'that line' if len(bad) == 1 else f'those {len(bad)} lines'}, "
                "or take the good ones with --skip-bad"
            )
            return COULD_NOT
        _need_people(store, {row.person for row in good if row.person})
        new = _take(store, good)
    there = f", {len(good) - new} were there already" if new < len(good) else ""
    left = f", {len(bad)} left out" if bad else ""
    say(f"{new} reading{'' if new == 1 else 's'} taken from {file}{there}{left}")
    return ATTENTION if bad else DONE


def _tell(file: Path, bad: list[BadLine]) -> None:
    for line in bad[:SHOWN]:
        say(f"quietcuff: {file}, line {line.number}: {line.reason}")
    if len(bad) > SHOWN:
        say(f"quietcuff: {file}: and {len(bad) - SHOWN} more bad lines")


def _need_people(store: Store, names: set[str]) -> None:
    """Raises StoreError, before anything is taken, for somebody who is not in the store."""
    for name in sorted(names):
        if people.find(store, name) is None:
            raise StoreError(f"no person '{name}' here; `quietcuff person add {name}` first", "refused")


def _take(store: Store, rows: list[HandRow]) -> int:
    """All or nothing; returns how many were new."""
    new = 0
    with store.transaction(), progress("lines taken") as show:
        for done, row in enumerate(rows, 1):
            value, now = row.build(), datetime.now(UTC)
            appended = journal.append(
                store,
                cuff=cuffs.HAND,
                characteristic=HAND_CHARACTERISTIC,
                value=value,
                arrived_at=now,
                source="hand",
                mark=f"hand {hashlib.sha256(value).hexdigest()}",
            )
            if appended.new:
                outcome = interpret(store, appended.payload)
                new += 1
                if row.person and outcome.reading_id and outcome.reading is not None:
                    claims.claim(store, outcome.reading_id, row.person, now)
                    assign_reading(store, outcome.reading)
            show(done, len(rows))
    return new
