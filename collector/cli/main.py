"""The command line's front door: it knows every command's name and loads only the one that is asked for."""

import sys
from importlib import import_module
from typing import Any

COMMANDS: dict[str, tuple[str, str]] = {
    # name: (module, one line for the overview)
}
"""Each module has `app`, a typer.Typer, with one command (a verb) or several (a group)."""


def version() -> str:
    from importlib.metadata import version as installed

    return f"quietcuff {installed('quietcuff')}"


def run() -> None:
    if sys.argv[1:] in (["--version"], ["-V"]):
        print(version())
        return
    raise NotImplementedError


_: Any = import_module
