"""Taking a loan cuff back on a screen that is not always there.

Every step of a return is in the store before the next begins, so each look begins it anew and goes as far as it comes:
to a question that was not answered yet, or to a cuff that has not come.
"""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime

from collector.service.guided.loan_return import LoanReturn
from collector.store.database import Store
from collector.store.people.loans import Loan


class NotYet(Exception):
    """It goes no further now."""


@dataclass(slots=True)
class ReturnStanding:
    """said: what happened at this look. question: what is asked; else waiting says what is waited for."""

    said: list[str] = field(default_factory=list)
    question: str = ""
    waiting: str = ""


class PageScreen:
    """The screen of one look. answer: to one question, by its text."""

    def __init__(self, answer: tuple[str, bool] | None = None) -> None:
        self.standing = ReturnStanding()
        self._answer = answer

    def say(self, *texts: str) -> None:
        self.standing.said += texts

    def result(self, text: str) -> None:
        """The summary is shown on a page of its own."""

    def count(self, text: str, keys: str = "", left_s: float | None = None) -> None:
        asked = "(y" in keys
        self.standing.question, self.standing.waiting = (text, "") if asked else ("", text)

    def settle(self, text: str) -> None:
        self.standing.question = self.standing.waiting = ""

    def wait(self, seconds: float) -> str:
        if self._answer and self._answer[0] == self.standing.question:
            key = "y" if self._answer[1] else "n"
            self._answer = None
            return key
        raise NotYet


def standing_of_return(
    store: Store,
    cuff: str,
    name: Callable[[str], str],
    save: Callable[[Loan], list[str]],
    answer: tuple[str, bool] | None = None,
) -> ReturnStanding:
    """One return, as far as it comes now. Raises StoreError, NotSaved."""
    screen = PageScreen(answer)
    flow = LoanReturn(
        store=store, screen=screen, now=lambda: datetime.now(UTC), seconds=lambda: 0.0, save=save, name=name
    )
    with suppress(NotYet):
        flow.take_back([cuff])
    return screen.standing
