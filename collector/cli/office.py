"""`quietcuff office …`: what was measured in the office, to set home against it."""

from datetime import date
from typing import Annotated

import typer

from collector.cli.common import dates
from collector.cli.common.asked_series import Whose, need_pressures
from collector.cli.common.command import Usage, new_app, options_of, say
from collector.cli.common.output import out_json, out_table
from collector.cli.common.selection import reading_store, writing_store
from collector.numbers.levels import acc_aha_office_class, esh_office_class
from collector.numbers.office_home import OfficeReadings
from collector.service import machine_clock
from collector.share.samples import pressures
from collector.store.people import office_visits as visits_kept

app = new_app("""Keep what was measured in the office, to set home against it.

    A visit's mean is that of the last two readings; where the first two differ by more than 10 mmHg, take a third.
    Visits within 90 days of the averaged days count, one a day, the one entered last; else the last visit.
    `average` and `report` show the mean, its class by ACC/AHA and by ESH, and home against office with its chance:
    white-coat, masked, sustained or both below.

    \b
    Examples (invented):
      quietcuff office add mira 144/91 139/88
      quietcuff office add mira 152/94 140/90 138/88 --on 2031-03-18
      quietcuff office list mira
    """)


@app.command("add")
def add_visit(
    ctx: typer.Context,
    person: Whose,
    readings: Annotated[list[str], typer.Argument(metavar="SYS/DIA…", help="Each reading of the visit, in mmHg.")],
    on: Annotated[str | None, typer.Option("--on", "--at", metavar="DATE", help="The day; else today.")] = None,
) -> None:
    """Keep a visit: its readings in the order they were taken.

    \b
    Example (invented):
      quietcuff office add mira 152/94 140/90 138/88
    """

    options = options_of(ctx)
    values = [need_pressures(one, "SYS/DIA") for one in readings]
    day = dates.day(on, "--on")
    with writing_store(options) as store:
        if day is None:
            day = machine_clock.believed_now(store).astimezone(options.zone).date()
        elif day > machine_clock.now().astimezone(options.zone).date() and not machine_clock.doubt(store):
            raise Usage(f"--on {day} has not come yet")
        kept = visits_kept.add(store, person, day, values, machine_clock.now())
    visit = OfficeReadings(day, pressures(kept.readings))
    mean = visit.mean
    classes = (
        f"{acc_aha_office_class(mean.systolic, mean.diastolic)} (ACC/AHA), "
        f"{esh_office_class(mean.systolic, mean.diastolic)} (ESH)"
    )
    say(f"kept for {kept.person} on {day}: {mean} mmHg, {classes}")
    if visit.another_reading:
        say(
            "the first two readings differ by more than 10 mmHg: take a third, and enter the visit again with all three"
        )


@app.command("list")
def list_visits(
    ctx: typer.Context,
    person: Whose,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a visit.")] = False,
) -> None:
    """List a person's visits, the oldest first.

    \b
    Example:
      quietcuff office list mira
    """

    with reading_store(options_of(ctx), central=True) as store:
        found = visits_kept.every(store, person)
    if not found:
        say(f"no visits of {person} yet; `quietcuff office add` keeps one")
        return
    rows = []
    for one in found:
        visit = OfficeReadings(one.day, pressures(one.readings))
        taken = [str(reading) for reading in visit.readings]
        if as_json:
            mean = {"systolic": visit.mean.systolic, "diastolic": visit.mean.diastolic}
            fields = {"visit_id": one.visit_id, "person": one.person, "day": _text(one.day)}
            out_json({**fields, "readings": taken, **mean, "another_reading": visit.another_reading})
        rows.append((_text(one.day), str(visit.mean), one.visit_id[:8], ", ".join(taken)))
    if not as_json:
        out_table(rows, ("day", "mean, mmHg", "id", "readings"))


@app.command("remove")
def remove_visit(
    ctx: typer.Context,
    person: Whose,
    visit_id: Annotated[str, typer.Argument(metavar="ID", help="The visit's id, or how it begins.")],
) -> None:
    """Take a visit back.

    \b
    Example:
      quietcuff office remove mira 3f9a
    """

    with writing_store(options_of(ctx)) as store:
        visit = visits_kept.remove(store, person, visit_id, machine_clock.now())
    say(f"taken back: the visit of {visit.person} on {visit.day}")


def _text(day: date) -> str:
    return day.isoformat()
