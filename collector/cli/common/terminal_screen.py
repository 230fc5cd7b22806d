"""A terminal for a guided flow: words, a line that counts, and single keys without Enter."""

import os
import select
import shutil
import sys
import termios
import tty
from collections.abc import Sequence
from types import TracebackType
from typing import Self, TextIO

from collector.service.guided.screen import Left
from collector.share.text.layout import visible, wrapped

WIDEST = 100


def is_terminal() -> bool:
    """Whether somebody sits at all three."""
    return all(stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr))


class TerminalScreen:
    """Implements `collector.service.guided.screen.Screen`. As a context: keys come one by one, without Enter."""

    def __init__(self) -> None:
        self._keys = sys.stdin.fileno()
        self._before: list[int | list[bytes | int]] | None = None
        self._counting = ""
        self._pressed = ""

    def __enter__(self) -> Self:
        self._before = termios.tcgetattr(self._keys)
        tty.setcbreak(self._keys)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._clear()
        if self._before is not None:
            termios.tcsetattr(self._keys, termios.TCSADRAIN, self._before)

    def say(self, *texts: str) -> None:
        self._lines(sys.stderr, texts)

    def result(self, text: str) -> None:
        self._lines(sys.stdout, [text])

    def count(self, text: str, keys: str = "", left_s: float | None = None) -> None:
        """Written only where it changed. Of one that is too long for the terminal only the last line counts."""
        text += keys
        if text == self._counting:
            return
        *full, last = wrapped(visible(text), self._room())
        self._lines(sys.stderr, full)
        sys.stderr.write(f"\r{last}\x1b[K")
        sys.stderr.flush()
        self._counting = text

    def settle(self, text: str) -> None:
        sys.stderr.write(f" {visible(text)}\n")
        sys.stderr.flush()
        self._counting = ""

    def wait(self, seconds: float) -> str:
        """The key, else ''. Raises Left when nobody can press any more."""
        if not self._pressed:
            ready, _, _ = select.select([self._keys], [], [], max(0.0, seconds))
            if not ready:
                return ""
            octets = os.read(self._keys, 64)
            if not octets:
                raise Left
            if octets.startswith(b"\x1b"):  # an arrow or a function key: several octets, none of them meant
                return ""
            self._pressed = octets.decode("utf-8", "replace")
        key, self._pressed = self._pressed[0], self._pressed[1:]
        return key

    def _clear(self) -> None:
        if self._counting:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._counting = ""

    def _lines(self, stream: TextIO, texts: Sequence[str]) -> None:
        self._clear()
        for text in texts:
            for line in wrapped(visible(text), self._room()) or [""]:
                stream.write(line + "\n")
        stream.flush()

    def _room(self) -> int:
        return min(WIDEST, max(20, shutil.get_terminal_size().columns - 1))
