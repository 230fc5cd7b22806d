"""`quietcuff listen`: collect from every cuff in reach, until stopped."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from collector.cli.frame import Usage, new_app, of

if TYPE_CHECKING:
    from collector.service.config import Config

app = new_app()

RADIOS = ("bluez", "exclusive", "virtual")
LEVELS = ("debug", "info", "warning", "error")


@app.command()
def listen(
    ctx: typer.Context,
    radio: Annotated[str | None, typer.Option(
        metavar="RADIO", help="bluez (the system's Bluetooth), exclusive (an adapter of its own) or virtual "
                              "(a practice cuff that measures every minute).")] = None,
    adapter: Annotated[str | None, typer.Option(metavar="HCI", help="Which adapter, such as hci0.")] = None,
    log: Annotated[str, typer.Option(metavar="LEVEL", help="debug, info, warning or error.")] = "info",
) -> None:
    """Collect from every cuff in reach, until stopped.

    Runs until Ctrl-C or SIGTERM; one line an event on stderr. Two listeners never share a store. SIGHUP has it read
    the configuration again.

    \b
    Examples:
      quietcuff listen
      quietcuff --store practice.db listen --radio virtual
    """
    import asyncio

    from collector.service import log as lines
    from collector.service.config import load
    from collector.service.listening import listen as collect

    if log not in LEVELS:
        raise Usage(f"--log {log}: there is no such level; take one of {', '.join(LEVELS)}")
    around = of(ctx)
    lines.set_up(log)

    def again() -> "Config":
        return chosen(load(around.config_option), radio, adapter)

    asyncio.run(collect(Path(around.store_path), chosen(around.config, radio, adapter), again=again))


def chosen(config: "Config", radio: str | None, adapter: str | None) -> "Config":
    """The configuration with what the command line said in its place. Raises Usage."""
    if radio is not None and radio not in RADIOS:
        raise Usage(f"--radio {radio}: there is no such radio; take one of {', '.join(RADIOS)}")
    chosen_radio = replace(config.radio, kind=radio or config.radio.kind, adapter=adapter or config.radio.adapter)
    return replace(config, radio=chosen_radio)
