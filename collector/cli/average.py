"""`quietcuff average`: the mean of the right days by a published protocol, and everything it rests on."""

from typing import TYPE_CHECKING, Annotated

import typer

from collector.cli.common.asked_series import From, Json, ProtocolName, To, Whose, asked, samples_of
from collector.cli.common.cautions import tell
from collector.cli.common.command import ATTENTION, DONE, new_app, of, out
from collector.cli.common.selection import reading_store, terminal_width

if TYPE_CHECKING:
    from collector.numbers.average import Average
    from collector.numbers.values import Mean, Pair, Pressures, Sample

app = new_app()


@app.command()
def average(
    ctx: typer.Context,
    person: Whose,
    protocol: ProtocolName = None,
    first: From = None,
    last: To = None,
    each: Annotated[bool, typer.Option("--readings", help="Show each reading: used, or why not.")] = False,
    as_json: Json = False,
) -> int:
    """Average a person's readings by a protocol.

    Takes the days from --from to --to, or the most recent series of measuring. Which readings count, and whether they
    are enough, is the protocol's rule; the person's own plan, from [people.NAME] in the configuration, goes before its
    figures. Comparing is done unrounded; one decimal is printed. * marks the mean that decides.

    Exit code 3: the series is too short, or something wants telling (a very high value, an irregular pulse seen more
    than once).

    \b
    Examples (invented people):
      quietcuff average mira
      quietcuff average mira --protocol nice-ng136 --from 2031-03-04 --to 2031-03-10
      quietcuff average mira --readings
      quietcuff average mira --json
    """
    from collector.cli.common.cautions import caution
    from collector.numbers import words
    from collector.numbers.average import average as reckon
    from collector.share.export.rows import json_text
    from collector.share.text import average_text

    around = of(ctx)
    number = around.config.station.emergency_number
    with reading_store(around) as store:
        wanted = asked(around, store, person, protocol, first, last)
        samples = samples_of(store, wanted)
    found = reckon(samples, wanted.protocol, wanted.plan, wanted.first, wanted.last)
    high, low = average_text.outstanding(samples, found, wanted.plan.low)
    if as_json:
        out(json_text(as_object(found, wanted.person, high, low)))
        tell([words.caution(number)])
    else:
        for line in average_text.average_lines(found, wanted.person, terminal_width()):
            out(line)
        for name, some in (("VERY HIGH", high), ("LOW", low)):
            if some:
                out(
                    f"{name}: {len(some)}, the last {average_text.reading_pressure(some[-1])} mmHg at "
                    f"{average_text.moment(some[-1].taken_at)}"
                )
        if each:
            out("")
            for line in average_text.reading_lines(found, samples, terminal_width()):
                out(line)
        tell(average_text.spoken(found, number))
        if high:
            tell(caution(number))
        if low:
            tell([words.low(number, wanted.plan.low) if wanted.plan.low else words.low(number)])
    return DONE if found.valid and not high and not found.irregular.worth_telling else ATTENTION


def as_object(found: "Average", person: str, high: "list[Sample]", low: "list[Sample]") -> dict[str, object]:
    """The agreed fields in their order, unrounded; `more` holds what else is known."""
    return {
        "protocol": found.protocol.name,
        "from": found.first and found.first.isoformat(),
        "to": found.last and found.last.isoformat(),
        "person": person,
        "taken": found.taken,
        "used": found.used,
        "days": found.days,
        "valid": found.valid,
        "short_of": found.short_of,
        "systolic": found.systolic,
        "diastolic": found.diastolic,
        "pulse": found.pulse,
        "morning": _mean(found.morning, found.morning_at_or_above),
        "evening": _mean(found.evening, found.evening_at_or_above),
        "threshold": {**_bounds(found.threshold), "set_by": found.threshold_set_by},
        "at_or_above": found.at_or_above,
        "excluded": [{"reading_id": one, "reason": reason} for one, reason in found.excluded],
        "sd": _pair(found.sd),
        "cv": _pair(found.cv),
        "arv": _pair(found.arv),
        "more": {
            "unit": "mmHg",
            "decides": found.decides,
            "spread_of": found.spread.unit,
            "days_used": found.days_used,
            "complete": found.complete,
            "margin_95": _pair(found.margin),
            "standard_error": _pair(found.standard_error),
            "pooled": _mean(found.pooled, None),
            "of_sessions": _mean(found.of_sessions, None),
            "goal": found.goal and {**_bounds(found.goal), "set_by": found.goal_set_by},
            "below_goal": found.below_goal,
            "irregular_pulse": {
                "readings": found.irregular.readings,
                "of": found.irregular.of,
                "days": found.irregular.days,
                "worth_telling": found.irregular.worth_telling,
            },
            "very_high": [one.reading_id for one in high],
            "low": [one.reading_id for one in low],
            "hand_written": found.hand_written,
            "time_not_certain": found.uncertain_times,
            "implausible": [{"reading_id": one, "mark": mark} for one, mark in found.implausible],
            "used_ids": found.used_ids,
        },
    }


def _mean(mean: "Mean | None", at_or_above: bool | None) -> dict[str, object] | None:
    if mean is None:
        return None
    judged = {} if at_or_above is None else {"at_or_above": at_or_above}
    return {
        "systolic": mean.systolic,
        "diastolic": mean.diastolic,
        "pulse": mean.pulse,
        "readings": mean.readings,
        "days": mean.days,
        **judged,
    }


def _bounds(pressures: "Pressures") -> dict[str, object]:
    return {"systolic": pressures.systolic, "diastolic": pressures.diastolic}


def _pair(both: "Pair | None") -> dict[str, object] | None:
    return None if both is None else {"systolic": both.systolic, "diastolic": both.diastolic}
