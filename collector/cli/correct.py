"""`quietcuff correct`: a reading that was read or written wrongly."""

from datetime import timedelta
from decimal import Decimal
from typing import Annotated

import typer

from collector.cli.common import dates
from collector.cli.common.command import Failure, Usage, new_app, options_of, say
from collector.cli.common.selection import found_readings, writing_store
from collector.intake.correction import Correction, correct_reading, take_back_correction
from collector.service import machine_clock
from collector.store import readings
from collector.store.acceptable import typed_number
from collector.store.database import Store
from collector.store.values import WRITTEN_TWICE, Selection

app = new_app()


@app.command()
def correct(
    ctx: typer.Context,
    reading: Annotated[str, typer.Argument(metavar="READING", help="By id, or how it begins, or by time.")],
    systolic: Annotated[str | None, typer.Option(metavar="MMHG", help="What it should be.")] = None,
    diastolic: Annotated[str | None, typer.Option(metavar="MMHG", help="What it should be.")] = None,
    pulse: Annotated[str | None, typer.Option(metavar="PER-MINUTE", help="What it should be.")] = None,
    taken_at: Annotated[str | None, typer.Option("--taken-at", metavar="TIME", help="When it was taken.")] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take it back: the reading counts as it came.")] = False,
) -> None:
    """Put a reading right that was read or written wrongly.

    The reading as it came stays in the store, marked 'corrected', and counts no longer; a hand-written one with what
    you say stands in its place, with a note of what it corrects. What you do not say stays as it was. `--undo` takes
    it back.

    \b
    Examples:
      quietcuff correct 3f9a --systolic 128
      quietcuff correct 3f9a --undo
    """
    options = options_of(ctx)
    now = machine_clock.now()
    said = Correction(
        systolic=_number(systolic, "systolic"),
        diastolic=_number(diastolic, "diastolic"),
        pulse=_number(pulse, "pulse"),
        taken_at=None if taken_at is None else dates.instant(taken_at, "--taken-at", options.zone),
    )
    if undo == (said != Correction()):
        raise Usage("say what it should be, such as --systolic 128, or --undo")
    with writing_store(options) as store:
        found = found_readings(store, [reading], options.zone)
        if len(found) > 1:
            ids = ", ".join(one.reading_id[:8] for one in found)
            raise Usage(f"{reading}: {len(found)} readings are of that time ({ids}); name one by its id")
        if undo:
            take_back_correction(store, found[0].reading_id, now)
            say(f"{found[0].reading_id[:8]} counts again as it came")
            return
        if said.taken_at is not None and said.taken_at > now and (doubt := machine_clock.doubt(store)):
            raise Failure(f"the time {taken_at} has not come yet by a clock that may be wrong: {doubt}")
        machine_clock.bear_nothing_out(store)
        new = correct_reading(store, found[0].reading_id, said, now)
        say(f"{found[0].reading_id[:8]} is corrected: {new[:8]} stands in its place; --undo takes it back")
        _tell_of_the_same(store, new)


def _tell_of_the_same(store: Store, reading_id: str) -> None:
    """A log in which the line was put right as well may have been taken in before."""
    new = readings.get(store, reading_id)
    minute = new.taken_at.replace(second=0, microsecond=0)
    for one in readings.select(store, Selection(since=minute, until=minute + timedelta(minutes=1))):
        same = (one.systolic, one.diastolic, one.person) == (new.systolic, new.diastolic, new.person)
        if same and WRITTEN_TWICE in one.marks:
            say(f"{one.reading_id[:8]} says the same of that time: it is marked '{WRITTEN_TWICE}', and one counts")


def _number(text: str | None, name: str) -> Decimal | None:
    try:
        return None if text is None else typed_number(text, name)
    except ValueError as error:
        raise Usage(f"--{name} {text!r} {error}") from None
