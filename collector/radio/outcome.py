"""How a link, and with it a visit, came to its end: in a word, and why."""

from dataclasses import dataclass
from enum import StrEnum


class Ending(StrEnum):
    """How a link, and with it a visit, came to its end."""

    CUFF_LEFT = "cuff left"
    LINK_LOST = "link lost"
    WE_LEFT = "we left"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class VisitOutcome:
    """An ending and, in a few plain words, why; as text it is 'cuff left' or 'failed: no answer'."""

    ending: Ending
    why: str = ""

    def __str__(self) -> str:
        return f"{self.ending}: {self.why}" if self.why else str(self.ending)

    @property
    def failed(self) -> bool:
        return self.ending is Ending.FAILED


CUFF_LEFT, LINK_LOST, WE_LEFT = (
    VisitOutcome(Ending.CUFF_LEFT),
    VisitOutcome(Ending.LINK_LOST),
    VisitOutcome(Ending.WE_LEFT),
)
