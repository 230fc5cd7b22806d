"""Talking with a person at a screen: words, a line that counts, single keys, and a way to leave at any point."""

from dataclasses import dataclass
from typing import Protocol

POLL_S = 0.5
LEAVES = ("q", "Q", "\x03", "\x04")


@dataclass(frozen=True, slots=True)
class Hints:
    """What to do, in the words of the place where the person is; as they stand, those of a terminal."""

    leave: str = "with q or Ctrl-C"
    causes: str = "`quietcuff check` looks for other causes."
    listen: str = "Start `quietcuff listen` again in another window."
    claim: str = "`quietcuff person claim {quoted} {reading}`"


TERMINAL = Hints()


class Left(Exception):
    """The person wants to leave."""


class Screen(Protocol):
    """Where the person is."""

    def say(self, *texts: str) -> None:
        """Words, each from a line of its own."""

    def result(self, text: str) -> None:
        """A line of data."""

    def count(self, text: str, keys: str = "", left_s: float | None = None) -> None:
        """A line that takes the place of the last such line. keys: which do what now; left_s: seconds until it ends."""

    def settle(self, text: str) -> None:
        """That line stays, with this behind it."""

    def wait(self, seconds: float) -> str:
        """Wait so long, or less when a key is pressed: the key, else ''. Raises Left at the end of all input."""


def pressed(screen: Screen, seconds: float = POLL_S) -> str:
    """The key, else ''. Raises Left where it means that."""
    key = screen.wait(seconds)
    if key in LEAVES:
        raise Left
    return key


def yes(screen: Screen, question: str, keys: str = "y/n") -> bool:
    """Ask until it is answered. Raises Left."""
    while True:
        screen.count(question, f" ({keys})")
        if (key := pressed(screen).lower()) in ("y", "n"):
            screen.settle("yes" if key == "y" else "no")
            return key == "y"
