"""The front group: overview without imports, global options anywhere, one line for whatever goes wrong."""

import os
import sqlite3
import sys
import traceback
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from collector.cli.common.command import COULD_NOT, DONE, WRONG_USAGE, Failure, GlobalOptions, Group, say
from collector.cli.common.commands import COMMANDS, OVERVIEW
from collector.service.config import SYSTEM_STORE, ConfigError, refuse_an_impossible_zone

EPILOG = (
    "--store and --config may also stand after the command. Data goes to stdout, words to stderr. Exit "
    "codes: 0 done, 1 could not, 2 wrong usage, 3 done but the answer wants attention. "
    "`quietcuff COMMAND --help` teaches each command."
)
GLOBAL_OPTIONS = ("--store", "--config")
_DAYS = {"--from": "--since", "--to": "--until"}
RENAMED: dict[str, dict[str, str]] = {
    "average": _DAYS,
    "change": _DAYS,
    "trend": _DAYS,
    "report": _DAYS,
    "give": {"--from": "--since"},
}
"""By command, options that had another name."""
INTERRUPTED = 130  # 128 + SIGINT, as shells have it
OURS = {"collector", "parsers"}


class RootGroup(Group):
    """Knows the commands by COMMANDS; imports the module of the one that is asked for."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in self.commands:
            if cmd_name not in COMMANDS:
                from difflib import get_close_matches  # only here

                close = get_close_matches(cmd_name, COMMANDS)
                hint = f"; did you mean {close[0]!r}?" if close else ""
                ctx.fail(f"there is no command {cmd_name!r}{hint}")
            module, _ = COMMANDS[cmd_name]
            command = typer.main.get_command(import_module(module).app)
            command.name = cmd_name
            self.commands[cmd_name] = command
        return self.commands[cmd_name]

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        for heading, lines in OVERVIEW.items():
            with formatter.section(heading):
                formatter.write_dl(list(lines.items()))

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        return super().parse_args(ctx, renamed(forward(args)))

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except Exception as error:
            if type(error).__module__.split(".")[0] not in OURS and (told := _in_the_store(error, ctx.obj)):
                raise told from error
            raise

    def main(self, args: Any = None, prog_name: str | None = None, *_: Any, **extra: Any) -> NoReturn:
        """Run one command line and leave with its exit code. Never a traceback."""
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):  # a terminal without UTF-8 shows escapes instead of failing
                stream.reconfigure(errors="backslashreplace")
        try:
            returned = super().main(args, "quietcuff", standalone_mode=False)
            sys.stdout.flush()
            code = returned if isinstance(returned, int) else 0
        except (BrokenPipeError, SystemExit) as error:  # Typer answers a closed pipe by leaving, with 1
            if isinstance(error, SystemExit) and not isinstance(error.__context__, BrokenPipeError):
                raise
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # whatever is left to flush at exit goes nowhere
            code = DONE  # whoever read had enough: `quietcuff readings | head` is no error
        except (KeyboardInterrupt, typer.Abort):
            code = INTERRUPTED
        except Exception as error:
            code = INTERRUPTED if _follows_an_interrupt(error) else explain(error)
        sys.exit(code)


def _follows_an_interrupt(error: BaseException | None) -> bool:
    """Whether it came up while Ctrl-C was on its way out: what could not be tidied up then is no trouble of its own."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__cause__ or error.__context__
    return error is not None


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version  # brings what reads mail, which no other command needs

        print(f"quietcuff {version('quietcuff')}")
        raise typer.Exit


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
        refuse_an_impossible_zone()
        ctx.obj = GlobalOptions(store, config)

    return app


def forward(args: list[str]) -> list[str]:
    """Global options stand where people write them, also after the command: brings them to the front."""
    front: list[str] = []
    rest: list[str] = []
    queue = list(args)
    while queue:
        arg = queue.pop(0)
        if arg == "--":
            return [*front, *rest, arg, *queue]
        if arg in GLOBAL_OPTIONS and queue:
            front += [arg, queue.pop(0)]
        elif arg.startswith(tuple(f"{option}=" for option in GLOBAL_OPTIONS)):
            front.append(arg)
        else:
            rest.append(arg)
    return front + rest


def renamed(args: list[str]) -> list[str]:
    """Options by the names they have now; whoever used an old one is told the new."""
    words = [arg for arg in args if not arg.startswith("-")]
    renamings = next((RENAMED[key] for word in words[:2] for key in (word,) if key in RENAMED), {})
    found = list(args)
    for place, arg in enumerate(args):
        if arg == "--":
            break
        name, equals, value = arg.partition("=")
        if name in renamings:
            found[place] = f"{renamings[name]}{equals}{value}"
            say(f"{name} is called {renamings[name]} now; the old name goes on working")
    return found


def explain(error: Exception) -> int:
    """Say on one line what went wrong; returns the exit code."""
    if os.environ.get("QUIETCUFF_DEBUG") == "1":
        traceback.print_exception(error)
    if isinstance(error, Failure):
        say(f"quietcuff: {error}")
        return error.exit_code
    if isinstance(error, ConfigError):
        for problem in error.problems:
            say(f"quietcuff: {problem}")
        return COULD_NOT
    if isinstance(error, typer.TyperException):  # the command line itself was wrong
        context = getattr(error, "ctx", None)
        path = context.command_path if context else "quietcuff"
        say(f"quietcuff: {_sentence(error.format_message())} (`{path} --help` tells more)")
        return WRONG_USAGE
    say(f"quietcuff: {_outside(error)}")
    return COULD_NOT


def _sentence(text: str) -> str:
    text = " ".join(text.split()).rstrip(".")
    return text[:1].lower() + text[1:]


def _outside(error: Exception) -> str:
    """Words for what comes from below: our rooms' own errors, the disk, the database, and the unforeseen."""
    text = " ".join(str(error).split())
    if type(error).__module__.split(".")[0] in OURS:
        return text
    if isinstance(error, PermissionError) and _is_the_services(error.filename):
        return (
            f"{error.filename}: only the service's user may use its store; run this as that user: "
            "sudo -u quietcuff quietcuff …"
        )
    if isinstance(error, TimeoutError) and not text:  # of asyncio: a limit of our own
        return "it took too long; try again when this machine is less busy"
    if isinstance(error, OSError):
        where = f" ({error.filename})" if error.filename else ""
        return f"{(error.strerror or text).lower()}{where}; check the path, its rights and the free space"
    if isinstance(error, UnicodeEncodeError):  # octets of the command line that are no UTF-8 come as lone surrogates
        return (
            "what was given holds octets that are no UTF-8; write it anew, or set this shell's character set to UTF-8"
        )
    if isinstance(error, sqlite3.DatabaseError):
        return f"the store answered {text!r}; `quietcuff check` looks at it"
    return (
        f"unforeseen {type(error).__name__}: {text or 'no further words'}. Nothing was sent anywhere. "
        f"Please report it {_tracker()} with what QUIETCUFF_DEBUG=1 adds, names and readings taken out"
    )


def _in_the_store(error: Exception, options: GlobalOptions | None) -> Exception | None:
    from collector.store.unreadable import why

    try:
        return why(error, options.store_path) if options and not options.central else None
    except Exception:  # the first one is to be told
        return None


def _is_the_services(path: object) -> bool:
    return str(path).startswith(str(SYSTEM_STORE.parent))


def _tracker() -> str:
    from importlib.metadata import PackageNotFoundError, metadata

    try:
        urls = metadata("quietcuff").get_all("Project-URL") or []
    except PackageNotFoundError:
        urls = []
    for url in urls:
        label, _, address = url.partition(",")
        if label.strip().lower() in {"issues", "bug tracker", "tracker"}:
            return f"at {address.strip()}"
    return "to the project's issue tracker"
