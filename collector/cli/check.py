"""`quietcuff check`: what is wrong here, and how to mend it."""

from collections.abc import Iterator
from typing import Annotated

import typer

from collector.cli.common.command import ATTENTION, COULD_NOT, DONE, GlobalOptions, new_app, options_of, out, say
from collector.cli.common.output import out_json, out_lines, terminal_width
from collector.service.checks.everything import everything
from collector.service.checks.finding import Finding, FindingState, broken, fine
from collector.service.config import Config, store_named
from collector.service.config.schema import ConfigError
from collector.service.config.template import template
from collector.share.text.layout import visible, wrapped

app = new_app()


@app.command()
def check(
    ctx: typer.Context,
    quick: Annotated[bool, typer.Option("--quick", help="Do not look through the whole store.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a finding.")] = False,
    keys: Annotated[
        bool, typer.Option("--keys", help="Instead, print a configuration file with every key and its meaning.")
    ] = False,
    trial: Annotated[
        bool, typer.Option("--trial", help="Instead, try whether the adapter is fit for the exclusive radio.")
    ] = False,
) -> int:
    """Find what is wrong here, and how to mend it.

    Looks at the configuration, the store, the service and what it tells, this machine's clock and time zone,
    the Bluetooth adapter, BlueZ and the rights on it. Changes nothing. Exit code 3 when something wants
    attention, 1 when the store cannot be used.

    --trial takes the adapter for half a minute, listens with it and gives it back, and says which radio fits here
    and why; where anything but cuffs is paired it takes nothing. It needs root, or the right CAP_NET_ADMIN.

    \b
    Examples:
      quietcuff check
      quietcuff check --quick --json
      quietcuff check --config /etc/quietcuff.toml
      quietcuff check --keys > quietcuff.toml
      sudo quietcuff check --trial
    """
    if keys:
        out_lines(template())
        return DONE
    findings = []
    for finding in _tried(options_of(ctx)) if trial else _all(options_of(ctx), quick):
        findings.append(finding)
        _show(finding, as_json)
    states = {finding.state for finding in findings}
    return COULD_NOT if FindingState.BROKEN in states else ATTENTION if FindingState.ATTENTION in states else DONE


def _all(options: GlobalOptions, quick: bool) -> Iterator[Finding]:
    """The configuration first, as all else rests on it."""
    config = Config()
    try:
        config = options.config
        where = config.source or "no file, so every setting is its default"
        yield fine("configuration", str(where))
    except ConfigError as error:
        for problem in error.problems:
            yield broken("configuration", problem, "mend that line; until then nothing starts")
    yield from everything(config, store_named(options.store_option, config), quick)


def _tried(options: GlobalOptions) -> Iterator[Finding]:
    from collector.service.checks import which_radio

    yield from which_radio.advise(options.config.radio.adapter, say).findings


def _show(finding: Finding, as_json: bool) -> None:
    if as_json:
        out_json(
            {
                "topic": finding.topic,
                "state": finding.state.value,
                "text": finding.text,
                "remedy": finding.remedy or None,
            }
        )
        return

    word = finding.state.value if finding.state is FindingState.FINE else finding.state.value.upper()
    width = terminal_width()
    lines = [visible(f"{finding.topic}: {finding.text}")]
    if finding.remedy:
        lines.append(f"mend: {visible(finding.remedy)}")
    lead = f"{word:9}  "
    for line in lines:
        for piece in [line] if width is None else wrapped(line, max(20, width - len(lead))):
            out(lead + piece)
            lead = " " * len(lead)
