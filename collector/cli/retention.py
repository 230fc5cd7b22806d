"""`quietcuff retention`: what the rule would take away, and taking it away."""

from typing import Annotated

import typer

from collector.cli.common.command import Usage, new_app, options_of, say
from collector.cli.common.output import out_json
from collector.cli.common.selection import reading_store, writing_store
from collector.service.jobs import retention as rules
from collector.service.machine_clock import believed_now

app = new_app()


@app.command()
def retention(
    ctx: typer.Context,
    days: Annotated[
        int | None,
        typer.Option("--days", metavar="N", min=1, max=36500, help="Instead of payloads_days under [retention]."),
    ] = None,
    apply: Annotated[bool, typer.Option("--apply", help="Take it away, for good.")] = False,
    clock_is_right: Annotated[
        bool, typer.Option("--clock-is-right", help="Take away although the clock seems wrong: it is not.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Show which old payloads no reading rests on, and take them away on demand.

    Without --apply this is a preview and changes nothing. With payloads_days under [retention] the service does it
    every day; without, nothing ever goes. Readings and the payloads they rest on stay.

    \b
    Examples:
      quietcuff retention --days 365
      quietcuff retention --days 365 --apply
    """
    options = options_of(ctx)
    wanted = days or options.config.retention.payloads_days
    if not wanted:
        raise Usage("retention is off; try a rule with --days N, or set payloads_days under [retention]")
    with (writing_store if apply else reading_store)(options) as store:
        if apply:
            believed_now(store, clock_is_right)
        found = (rules.apply if apply else rules.preview)(store, wanted)
    if as_json:
        out_json(
            {
                "before": found.before,
                "payloads": found.payloads,
                "kinds": found.kinds,
                "bytes": found.octets,
                "oldest": found.oldest,
                "applied": apply,
            }
        )
        return
    verb = "are gone" if apply else "would go; --apply takes them away"
    say(f"{rules.words(found)} {verb}" if found.payloads else "no payload falls under the rule")
