"""The command line's front door. The commands: `collector.cli.common.commands`."""

import os
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer
from typer.completion import get_completion_inspect_parameters
from typer.main import get_command

from collector.cli.common.command import GlobalOptions
from collector.cli.common.root_group import RootGroup

EPILOG = (
    "--store and --config may also stand after the command. Data goes to stdout, words to stderr. Exit "
    "codes: 0 done, 1 could not, 2 wrong usage, 3 done but the answer wants attention. "
    "`quietcuff COMMAND --help` teaches each command."
)


def _show_version(wanted: bool) -> None:
    if wanted:
        print(f"quietcuff {version('quietcuff')}")
        raise typer.Exit


def run() -> None:
    """The `quietcuff` command."""
    _open_what_is_closed()
    if "_QUIETCUFF_COMPLETE" in os.environ:  # a shell asks; typer knows its shells only once told
        get_completion_inspect_parameters()
    try:
        get_command(root_app()).main()
    except KeyboardInterrupt:
        os._exit(130)


def _open_what_is_closed() -> None:
    """Standard streams that whoever called us closed: no file of ours may get their numbers. Reading finds nothing,
    writing goes nowhere."""
    for number, (name, mode) in enumerate((("stdin", "r"), ("stdout", "w"), ("stderr", "w"))):
        if getattr(sys, name) is None:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free: this one
            setattr(sys, name, open(number, mode, encoding="utf-8"))  # noqa: SIM115


def root_app() -> typer.Typer:
    """The whole command line, for `run` and for tests."""
    app = typer.Typer(
        cls=RootGroup,
        context_settings={"help_option_names": ["-h", "--help"]},
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )

    @app.callback(epilog=EPILOG)
    def quietcuff(
        ctx: typer.Context,
        store: Annotated[
            str | None,
            typer.Option(
                envvar="QUIETCUFF_STORE",
                metavar="FILE",
                help="The store to work on; postgresql://ROLE@HOST/DATABASE asks what all stations relayed there.",
            ),
        ] = None,
        config: Annotated[
            Path | None, typer.Option(envvar="QUIETCUFF_CONFIG", metavar="FILE", help="The configuration file.")
        ] = None,
        show_version: Annotated[
            bool,
            typer.Option("--version", "-V", is_eager=True, callback=_show_version, help="Show the version and leave."),
        ] = False,
    ) -> None:
        """Home blood pressure, from the cuff to the number a physician decides on."""
        ctx.obj = GlobalOptions(store, config)

    return app


if __name__ == "__main__":
    run()
