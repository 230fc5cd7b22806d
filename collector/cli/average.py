"""`quietcuff average`: the mean of the right days by a published protocol, and everything it rests on."""

from typing import Annotated

import typer

from collector.cli.common.asked_series import FirstDay, Json, LastDay, ProtocolName, Whose, asked, samples_of
from collector.cli.common.cautions import tell
from collector.cli.common.command import ATTENTION, DONE, new_app, of, out
from collector.cli.common.selection import reading_store, terminal_width

app = new_app()


@app.command()
def average(
    ctx: typer.Context,
    person: Whose,
    protocol: ProtocolName = None,
    first: FirstDay = None,
    last: LastDay = None,
    each: Annotated[bool, typer.Option("--readings", help="Show each reading: used, or why not.")] = False,
    as_json: Json = False,
) -> int:
    """Average a person's readings by a protocol.

    Takes the days from --since to --to, or the most recent series of measuring. Which readings count, and whether they
    are enough, is the protocol's rule; the person's own plan, from [people.NAME] in the configuration, goes before its
    figures. Comparing is done unrounded; one decimal is printed. * marks the mean that decides.

    Exit code 3: the series is too short, or something wants telling (a very high value, an irregular pulse seen more
    than once).

    \b
    Examples (invented people):
      quietcuff average mira
      quietcuff average mira --protocol nice-ng136 --since 2031-03-04 --until 2031-03-10
      quietcuff average mira --readings
      quietcuff average mira --json
    """
    from collector.cli.common.cautions import caution
    from collector.numbers import words
    from collector.numbers.average import average as reckon
    from collector.numbers.json_fields import average_fields
    from collector.share.export.rows import json_text
    from collector.share.text import average_text
    from collector.share.text.reading_text import pressures_text

    around = of(ctx)
    number = around.config.station.emergency_number
    with reading_store(around) as store:
        wanted = asked(around, store, person, protocol, first, last)
        samples = samples_of(store, wanted)
    found = reckon(samples, wanted.protocol, wanted.plan, wanted.first, wanted.last)
    high, low = average_text.outstanding(samples, found, wanted.plan.low)
    if as_json:
        out(json_text(average_fields(found, wanted.person, high, low)))
        tell([words.caution(number)])
    else:
        for line in average_text.average_lines(found, wanted.person, terminal_width()):
            out(line)
        for name, some in (("VERY HIGH", high), ("LOW", low)):
            if some:
                out(
                    f"{name}: {len(some)}, the last {pressures_text(some[-1].systolic, some[-1].diastolic)} mmHg at "
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
