"""`quietcuff average`: the mean of the right days by a published protocol, and everything it rests on."""

from dataclasses import replace
from typing import Annotated

import typer

from collector.cli.common.asked_series import (
    FirstDay,
    JsonOption,
    LastDay,
    ProtocolName,
    Whose,
    asked,
    need_pressures,
    readings_of,
)
from collector.cli.common.command import ATTENTION, DONE, new_app, options_of, out, tell
from collector.cli.common.output import out_json, out_lines, terminal_width
from collector.cli.common.selection import reading_store
from collector.numbers import words
from collector.numbers.json_fields import average_fields
from collector.numbers.levels import LOW
from collector.numbers.office_home import OfficeReadings
from collector.numbers.overview import office_against, overview
from collector.numbers.values import SpreadOf
from collector.service import machine_clock
from collector.share.samples import known, pressures
from collector.share.text import average_text, findings
from collector.share.text.cautions import caution

app = new_app()


@app.command()
def average(
    ctx: typer.Context,
    person: Whose,
    protocol: ProtocolName = None,
    first: FirstDay = None,
    last: LastDay = None,
    office: Annotated[
        list[str] | None,
        typer.Option(
            "--office", metavar="SYS/DIA", help="A reading of the office that is not to be kept; again for more."
        ),
    ] = None,
    spread: Annotated[
        SpreadOf, typer.Option("--spread", help="What SD, CV, ARV, RMSSD and range are of.")
    ] = SpreadOf.DAYS,
    each: Annotated[bool, typer.Option("--readings", help="Show each reading: used, or why not.")] = False,
    as_json: JsonOption = False,
) -> int:
    """Average a person's readings by a protocol.

    Takes the days from --since to --until, or the most recent series of measuring. Which readings count, and
    whether they are enough, is the protocol's rule; the person's own plan, from [people.NAME] in the configuration,
    goes before its figures. Comparing is done unrounded; one decimal is printed. * marks the mean that decides. A
    series that is too short gives way to a valid one that ended at most four weeks before.

    The interval and the chance are of the usual pressure, not of these days alone: docs/physician.md says what they
    assume. What was measured in the office (`quietcuff office add`, or --office) is set against home.

    In --json: office_class_acc_aha, office_class_esh, home_against_office (white-coat, masked, sustained, both below),
    another_reading (of the last visit), second_threshold, last_ten (systolic at or above, of the last ten),
    on_standing (each reading marked as taken standing beside the one taken sitting before it; standing less sitting),
    hours_since_dose (median, of noted doses), missing_sessions (how many), chance_at_or_above (0 to 1), would_settle,
    rmssd, range, pulse_pressure, mean_pressure_estimate. What cannot be told is null; nothing is judged of a series
    that is not valid.

    Exit code 3: the series is too short, or something wants telling (a very high value, an irregular pulse seen more
    than once).

    \b
    Examples (invented people):
      quietcuff average mira
      quietcuff average mira --protocol nice-ng136 --since 2031-03-04 --until 2031-03-10
      quietcuff average mira --office 144/91 --office 139/88
      quietcuff average mira --readings --spread readings
      quietcuff average mira --json
    """

    options = options_of(ctx)
    number = options.config.station.emergency_number
    with reading_store(options, central=True) as store:
        wanted = asked(options, store, person, protocol, first, last)
        of_person = known(store, wanted.person, readings_of(store, wanted))
    beside = overview(of_person, wanted.protocol, wanted.plan, wanted.first, wanted.last, spread)
    found, limit = beside.average, wanted.plan.low or LOW
    if office:
        day = found.last or machine_clock.now().astimezone(options.zone).date()
        visit = OfficeReadings(day, pressures([need_pressures(one, "--office") for one in office]))
        beside = replace(beside, office=office_against([visit], found))
    if as_json:
        out_json(average_fields(beside, wanted.person))
        tell([words.caution(number)])
    else:
        out_lines(average_text.average_lines(found, wanted.person, terminal_width(), beside, limit))
        for label, text in findings.log_remarks(beside.since_dose, beside.log):
            out(f"{label}: {text}")
        if each:
            out("")
            out_lines(average_text.reading_lines(found, of_person.samples, terminal_width()))
        tell(average_text.spoken(found, number, beside.office))
        if beside.very_high:
            tell(caution(number))
        if beside.low:
            tell([words.low(number, limit)])
    return DONE if found.valid and not beside.very_high and not found.irregular.worth_telling else ATTENTION
