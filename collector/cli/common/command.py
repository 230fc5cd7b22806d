"""What every command shares: how it is declared, how it says that it could not, which global options it runs with.

A command is a module with `app`:

    app = new_app()

    @app.command()
    def weigh(ctx: typer.Context, last: int = 20) -> int | None:
        '''One line that says what it does.'''
        options = options_of(ctx)          # .config, .store_path, .zone, .open_store()
        raise Failure("what went wrong, where, what to do")   # one line on stderr, exit 1
        return ATTENTION                # or nothing, which is 0

Any exception class of our own packages counts as told: its text is one line for a person.
Data goes to stdout through `out`, words to stderr through `say`.
"""

import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import tzinfo
from functools import cached_property
from pathlib import Path
from typing import Any

import typer
from typer.core import TyperGroup

from collector.service.config import Config, load, store_of, wall_zone
from collector.share.text.layout import visible, wrapped

DONE, COULD_NOT, WRONG_USAGE, ATTENTION = 0, 1, 2, 3
MANY = 1_000_000_000
"""The most that may be asked for where nothing else says so: a number that every library takes."""


class Failure(Exception):
    """The command could not do what was asked. The text: what, where, what to do, on one line."""

    exit_code = COULD_NOT


class Usage(Failure):
    """The command was asked wrongly."""

    exit_code = WRONG_USAGE


class Group(TyperGroup):
    """A group that answers a bare call with its help."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        return super().parse_args(ctx, args or ["--help"])


def new_app(help: str | None = None) -> typer.Typer:
    """How every command module makes its `app`: plain help, since Rich costs more than a whole command."""
    return typer.Typer(
        cls=Group, help=help, add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False
    )


def out(line: str) -> None:
    """One line of data. Whoever builds it makes names and notes `visible` first."""
    sys.stdout.write(line + "\n")


def say(words: str) -> None:
    """One line of words, on stderr. Nothing in it can move the cursor."""
    sys.stdout.flush()
    sys.stderr.write(visible(words) + "\n")
    sys.stderr.flush()


NOT_CENTRAL = (
    "the central database only answers readings, average, change, trend, report, export, person list, loan list, "
    "note list and office list; for this, give a station's own store"
)


def tell(texts: Iterable[str]) -> None:
    """Say each on lines of its own, broken between words where a terminal is narrow."""
    width = min(100, shutil.get_terminal_size().columns - 1) if sys.stderr.isatty() else None
    for text in texts:
        for line in [text] if width is None else wrapped(visible(text), width):
            say(line)


@dataclass
class GlobalOptions:
    """The global options and what follows from them, found out when first asked for."""

    store: str | None = None
    config_option: Path | None = None
    central: str | None = None
    """Where all stations relay to: a PostgreSQL database that is asked instead of a store."""

    def __post_init__(self) -> None:
        if self.store and self.store.startswith("postgresql://"):
            self.central = self.store

    @property
    def store_option(self) -> Path | None:
        """--store, where it names a file. Raises Usage for none, and for the central database."""
        if self.central:
            raise Usage(NOT_CENTRAL)
        if self.store == "":  # an empty QUIETCUFF_STORE says nothing and does not come here
            raise Usage("--store '': names no file; leave it out for the usual store")
        return Path(self.store) if self.store else None

    @cached_property
    def config(self) -> Config:
        return load(self.config_option)

    @cached_property
    def store_path(self) -> Path:
        """--store or QUIETCUFF_STORE, else the configuration's, else the usual place. Raises StoreError."""
        return store_of(self.store_option, self.config)

    @cached_property
    def zone(self) -> tzinfo | None:
        """The zone of the station's wall clock; None stands for this machine's."""
        return wall_zone(self.config)


def options_of(ctx: typer.Context) -> GlobalOptions:
    """The global options of the running command, and what follows from them."""
    found = ctx.find_object(GlobalOptions)
    assert found is not None, "commands run through collector.cli.main"
    return found


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """A counter on stderr at a terminal, silence elsewhere. Yields a function to tell (done, of)."""
    if not sys.stderr.isatty():
        yield lambda done, total: None
        return
    shown = 0.0

    def show(done: int, total: int) -> None:
        nonlocal shown
        now = time.monotonic()
        if now - shown >= 0.1:
            shown = now
            sys.stderr.write(f"\r{what}: {done} of {total}\x1b[K")
            sys.stderr.flush()

    try:
        yield show
    finally:
        sys.stderr.write("\r\x1b[K")
        sys.stderr.flush()
