"""`quietcuff listen`: collect from every cuff in reach, until stopped."""

from typing import Annotated

import typer

from collector.cli.common.command import Usage, new_app, options_of
from collector.service.config.settings import RadioKind
from collector.service.listen.log import LEVELS
from collector.service.listen.main import ListenOptions, serve

app = new_app()


@app.command()
def listen(
    ctx: typer.Context,
    radio: Annotated[
        str | None,
        typer.Option(
            metavar="RADIO",
            help="bluez (the system's Bluetooth), exclusive (an adapter of its own) or virtual "
            "(a practice cuff that measures every minute).",
        ),
    ] = None,
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
    if log not in LEVELS:
        raise Usage(f"--log {log}: there is no such level; take one of {', '.join(LEVELS)}")
    if radio is not None and radio not in list(RadioKind):
        raise Usage(f"--radio {radio}: there is no such radio; take one of {', '.join(RadioKind)}")
    options = options_of(ctx)
    serve(
        ListenOptions(
            store=options.store_option,
            config=options.config_option,
            radio=None if radio is None else RadioKind(radio),
            adapter=adapter,
            log=log,
        )
    )
