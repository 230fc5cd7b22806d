"""A listener that a command runs for as long as it lasts itself."""

import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager


@contextmanager
def listening(words: Sequence[str]) -> Iterator[None]:
    """`quietcuff WORDS` beside this command, until its end."""
    command = ends_with_us([sys.executable, "-m", "collector.cli.main", *words])
    with subprocess.Popen(command, stdin=subprocess.DEVNULL) as own:
        try:
            yield
        finally:
            own.terminate()


def ends_with_us(command: list[str]) -> list[str]:
    """The command, told to end too where this process is killed and can end nothing (setpriv(1), --pdeathsig).

    Without that tool as it is: it ends with all but SIGKILL.
    """
    tool = shutil.which("setpriv")
    return [tool, "--pdeathsig", "TERM", *command] if tool else command
