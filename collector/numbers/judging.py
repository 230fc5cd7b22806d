"""What a rule judges: the overall mean or each session's own, against the threshold, and how sure that is."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

from collector.numbers.chance import AgainstBound, against_bound
from collector.numbers.rules import Protocol, Session
from collector.numbers.selecting import Counted
from collector.numbers.spread import both_series
from collector.numbers.usual import DIASTOLIC, SYSTOLIC, Usual, usual
from collector.numbers.values import Decides, Mean, Pressures

SESSIONS: tuple[Session, Session] = ("morning", "evening")


def reached(bound: Pressures | None, mean: Mean | None) -> bool | None:
    """In either value, unrounded; None where there is nothing to compare."""
    return None if mean is None or bound is None else bound.reached_by(mean.systolic, mean.diastolic)


def decision(rules: Protocol, overall: Mean | None, high: dict[Session, bool | None]) -> tuple[Decides, bool | None]:
    """Which mean decides, and whether it is at or above the threshold. high: by session."""
    if rules.averaging != "separate":
        name = Decides.OF_SESSIONS if rules.averaging == "sessions" else Decides.POOLED
        return name, reached(rules.threshold, overall)
    high_ones = [session for session in SESSIONS if high[session]]
    if len(high_ones) == 1:
        return Decides(high_ones[0]), True
    known = [value for value in high.values() if value is not None]
    return Decides.BOTH, bool(high_ones) if known else None


@dataclass(frozen=True, slots=True)
class Judged:
    """A mean that a rule may judge, its readings, and the usual systolic and diastolic round it."""

    readings: Sequence[Counted]
    mean: Mean
    usual: tuple[Usual, Usual]

    @classmethod
    def of(cls, readings: Sequence[Counted], mean: Mean) -> Self:
        """readings: at least one."""
        systolic, diastolic = both_series(readings)
        of_both = usual(systolic, SYSTOLIC, float(mean.systolic)), usual(diastolic, DIASTOLIC, float(mean.diastolic))
        return cls(readings, mean, of_both)


def judged_means(rules: Protocol, apart: dict[Session, Mean | None], overall: Judged) -> list[Judged]:
    """The means that the rule judges: the overall one, or that of each session."""
    if rules.averaging != "separate":
        return [overall]
    return [
        Judged.of([one for one in overall.readings if one.session == session], mean)
        for session, mean in apart.items()
        if mean
    ]


def how_it_stands(judged: Sequence[Judged], threshold: Pressures) -> tuple[AgainstBound, tuple[Usual, Usual]] | None:
    """Of the judged mean that is most likely at or above the threshold, with its usual pressures."""
    bounds = float(threshold.systolic), float(threshold.diastolic)
    found = [(against_bound(one.usual, both_series(one.readings), bounds), one.usual) for one in judged]
    return max(found, key=lambda one: one[0].chance, default=None)
