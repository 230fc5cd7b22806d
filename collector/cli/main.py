"""The command line's front door: it knows every command's name and loads only the one that is asked for.

To add a command: write `collector/cli/NAME.py` with `app` (see `collector.cli.common.command`) and add a row to
COMMANDS. One function under `@app.command()` makes a verb (`quietcuff readings`); several make a group
(`quietcuff cuff list`).
"""

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

if TYPE_CHECKING:
    import typer

COMMANDS: dict[str, tuple[str, str]] = {
    # name: (module, one line for the overview), in the order of the overview
    "demo": ("collector.cli.demo", "Try everything with two virtual cuffs and an invented household."),
    "setup": ("collector.cli.setup", "Say what only you know here, and start with it."),
    "listen": ("collector.cli.listen", "Collect from every cuff in reach, until stopped."),
    "readings": ("collector.cli.readings", "Show readings."),
    "decode": ("collector.cli.decode", "Put a cuff's payload into words."),
    "protocols": ("collector.cli.protocols", "Show the published protocols that averages follow."),
    "average": ("collector.cli.average", "The average by a protocol: the number a physician decides on."),
    "change": ("collector.cli.change", "Compare before and after a change of regimen."),
    "trend": ("collector.cli.trend", "How values moved over weeks and months."),
    "note": ("collector.cli.note", "Note what happened on a day, such as a change of regimen."),
    "office": ("collector.cli.office", "Keep what was measured in the office, to set home against it."),
    "report": ("collector.cli.report", "Write the page for the chart, as PDF or HTML."),
    "strike": ("collector.cli.strike", "Have a reading count no longer."),
    "correct": ("collector.cli.correct", "Put a reading right that was read or written wrongly."),
    "sit": ("collector.cli.sit", "Be guided through a sitting, with readings arriving live."),
    "export": ("collector.cli.export", "Write readings for other programs: CSV, FHIR and more."),
    "import": ("collector.cli.import_log", "Take a hand-written log into the store."),
    "merge": ("collector.cli.merge", "Bring another station's store in, each payload once."),
    "cuff": ("collector.cli.cuff", "List, name, add or forget cuffs."),
    "person": ("collector.cli.person", "Say who is measured, and which slots and readings are whose."),
    "page": ("collector.cli.page", "The station's web page, and which devices may see it."),
    "relay": ("collector.cli.relay", "Send readings on to a FHIR server, PostgreSQL or MQTT."),
    "loan": ("collector.cli.loan", "Lend cuffs out, and take them back with nothing left in them."),
    "check": ("collector.cli.check", "Find what is wrong here, and how to mend it."),
    "backup": ("collector.cli.backup", "Back up the store, list backups, put one back."),
    "retention": ("collector.cli.retention", "Take away old payloads that no reading rests on."),
    "store": ("collector.cli.store", "Look into the store by SQL."),
    "rebuild": ("collector.cli.rebuild", "Derive all readings again from the journal."),
}


GROUPS: dict[str, tuple[str, ...]] = {
    "Every day": ("readings", "average", "change", "trend", "report", "sit", "note", "office", "strike", "correct"),
    "Set up": ("demo", "setup", "listen", "check", "cuff", "person", "page", "protocols"),
    "Data in and out": ("import", "export", "relay"),
    "Clinic": ("loan",),
    "Upkeep": ("backup", "merge", "rebuild", "retention", "decode", "store"),
}
"""How the overview is divided; a command that is in none stands at its end."""

EPILOG = (
    "--store and --config may also stand after the command. Data goes to stdout, words to stderr. Exit "
    "codes: 0 done, 1 could not, 2 wrong usage, 3 done but the answer wants attention. "
    "`quietcuff COMMAND --help` teaches each command."
)


def version() -> str:
    from importlib.metadata import version as installed

    return f"quietcuff {installed('quietcuff')}"


def _show_version(wanted: bool) -> None:
    if wanted:
        import typer

        print(version())
        raise typer.Exit


def run() -> None:
    """The `quietcuff` command."""
    if sys.argv[1:] in (["--version"], ["-V"]):  # needs nothing of what follows
        print(version())
        return
    if "_QUIETCUFF_COMPLETE" in os.environ:  # a shell asks; typer knows its shells only once told
        from typer.completion import get_completion_inspect_parameters

        get_completion_inspect_parameters()
    try:
        from typer.main import get_command

        get_command(root_app()).main()
    except KeyboardInterrupt:
        os._exit(130)


def root_app() -> "typer.Typer":
    """The whole command line, for `run` and for tests."""
    import typer

    from collector.cli.common.command import GlobalOptions
    from collector.cli.common.root_group import RootGroup

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
