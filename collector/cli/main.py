"""The command line's front door. It loads nothing by itself, so that whoever interrupts is heard from the first moment.

The commands: `collector.cli.common.commands`.
"""

import os
import signal
import sys
from types import FrameType


def run() -> None:
    """The `quietcuff` command. Ended by SIGTERM or a terminal that closes, it leaves as by Ctrl-C: nothing half
    written stays; then it dies of that signal, as whoever sent it expects."""
    ended_by: list[int] = []

    def end(number: int, _: FrameType | None) -> None:
        signal.signal(number, signal.SIG_DFL)  # who asks twice does not wait
        ended_by.append(number)
        raise KeyboardInterrupt

    # Python hears a signal anywhere, also where it can only tell of an exception and go on.
    sys.unraisablehook = lambda told: None if told.exc_type is KeyboardInterrupt else sys.__unraisablehook__(told)
    for number in (signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_DFL:  # under `nohup` it is ignored, and stays so
            signal.signal(number, end)
    try:
        _run()
    except BaseException as error:
        for sent in ended_by:
            os.kill(os.getpid(), sent)
        if KeyboardInterrupt in (type(error), type(error.__cause__)):  # Python wraps it where it makes a class
            os._exit(130)
        raise


def _run() -> None:
    _open_what_is_closed()
    from typer.main import get_command

    from collector.cli.common.root_group import root_app

    if "_QUIETCUFF_COMPLETE" in os.environ:  # a shell asks; typer knows its shells only once told
        from typer.completion import get_completion_inspect_parameters

        get_completion_inspect_parameters()
    get_command(root_app()).main()


def _open_what_is_closed() -> None:
    """Standard streams that whoever called us closed: no file of ours may get their numbers. Reading finds nothing,
    writing goes nowhere."""
    for number, (name, mode) in enumerate((("stdin", "r"), ("stdout", "w"), ("stderr", "w"))):
        if getattr(sys, name) is None:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free: this one
            setattr(sys, name, open(number, mode, encoding="utf-8"))  # noqa: SIM115


if __name__ == "__main__":
    run()
