"""A command of ours in a process of its own, without the second that Python takes to start; a signal may end it."""

import os
import signal
import sys
import time
import traceback
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

from collector.cli.common.commands import COMMANDS
from collector.cli.main import run


def load_all() -> None:
    """Every command's modules, once for all that are forked."""
    for module, _ in COMMANDS.values():
        import_module(module)


def forked(
    folder: Path, words: Sequence[str], after_s: float | None = None, number: int = signal.SIGKILL, said: str = "said"
) -> tuple[int, str, float]:
    """Run in the folder, without a terminal; the signal so long after it began.

    Returns its exit code (less than 0: of a signal), what it said on stderr, and how long it took.
    """
    ready, begins = os.pipe()
    pid = os.fork()
    if not pid:
        os.chdir(folder)
        for descriptor, file in ((0, "/dev/null"), (1, "/dev/null"), (2, said)):
            os.dup2(os.open(file, os.O_RDWR | os.O_CREAT | os.O_TRUNC), descriptor)
        sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w"), open(2, "w")  # noqa: SIM115
        signal.signal(signal.SIGINT, signal.default_int_handler)
        for each in (signal.SIGTERM, signal.SIGHUP):
            signal.signal(each, signal.SIG_DFL)
        sys.argv = ["quietcuff", *words]
        code = 1
        try:
            try:
                os.write(begins, b".")
                run()
            except SystemExit as error:
                code = error.code if isinstance(error.code, int) else 1
            except KeyboardInterrupt:  # before `run` began: where it has begun, it ends by itself
                code = 130
            except BaseException:
                traceback.print_exc()
            finally:
                sys.stderr.flush()
        finally:  # whatever signal comes as late as here: beyond, this would be a second test
            os._exit(code)
    os.close(begins)
    os.read(ready, 1)
    os.close(ready)
    began = time.monotonic()
    if after_s is not None:
        time.sleep(after_s)
        os.kill(pid, number)
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status), (folder / said).read_text(), time.monotonic() - began
