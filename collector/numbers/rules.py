"""What a home measuring protocol consists of, and a person's own plan on top of it."""

from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Literal

from collector.numbers.medical_condition import MedicalCondition
from collector.numbers.values import Pressures, SetBy

Session = Literal["morning", "evening"]
Averaging = Literal["pooled", "sessions", "separate"]


@dataclass(frozen=True, slots=True)
class Window:
    """Clock hours of a session: `start` included, `end` not. May pass midnight."""

    start: time
    end: time

    def holds(self, moment: time) -> bool:
        if self.start <= self.end:
            return self.start <= moment < self.end
        return moment >= self.start or moment < self.end

    def distance(self, moment: time) -> int:
        """Minutes to the nearer end, round the clock."""
        ways = (abs(_minutes(moment) - _minutes(bound)) for bound in (self.start, self.end))
        return min(min(way, 1440 - way) for way in ways)

    def __str__(self) -> str:
        return f"{self.start:%H:%M} to {self.end:%H:%M}"


@dataclass(frozen=True, slots=True)
class Handling:
    """What no guideline settles and somebody has to: every field is a choice of this project, to be changed at will."""

    morning: Window = Window(time(4), time(12))
    evening: Window = Window(time(16), time(2))
    outside: Literal["exclude", "nearest"] = "exclude"  # a reading at other hours
    sitting_gap_s: int = 600  # a longer pause begins another sitting
    exclude_flags: frozenset[str] = frozenset({"body movement", "cuff too loose", "improper position"})
    extra: Literal["all", "first", "last"] = "all"  # which to use where a session holds more than it needs
    uncertain_time: Literal["use", "exclude"] = "use"
    implausible: Literal["mark", "exclude"] = "exclude"
    series_gap_days: int = 3  # more empty days than these end a series


@dataclass(frozen=True, slots=True)
class ForAge:
    """Another goal from an age on, in years."""

    age: int
    target: Pressures


@dataclass(frozen=True, slots=True)
class Protocol:
    """A published way of measuring at home. Days are counted by number: day 1 is the first that holds readings."""

    name: str
    title: str
    edition: str
    source: str  # the publication, and through what it was read where the text itself was not seen
    threshold: Pressures  # a mean at or above it in either value is high
    target: Pressures | None = None  # a mean below it in both is at goal; None: the publication gives none
    target_note: str = ""
    target_for_age: ForAge | None = None
    second_threshold: Pressures | None = None  # of a higher class
    second_class: str = ""  # what a mean at or above it is, say 'the home part of stage 2'
    min_days: int = 3
    preferred_days: int = 7
    per_session: int = 2
    af_per_session: int | None = None  # with atrial fibrillation
    gap_s: int = 60  # between readings of one sitting, at least
    drop_days: tuple[int, ...] = ()
    drop_first_of_session: bool = False
    keep_first_if_alone: bool = False  # a session of one reading keeps it
    both_sessions: bool = False  # morning and evening are wanted: one alone makes no valid mean
    min_readings: int | None = None  # before anything is left out
    min_readings_used: int | None = None  # after it
    consecutive_days: bool = False
    averaging: Averaging = "pooled"
    when: str = "morning before medicines and food; evening before supper or bed"
    notes: tuple[str, ...] = ()
    from_memory: frozenset[str] = frozenset()  # fields whose source could not be read
    our_choice: frozenset[str] = frozenset()  # fields the source leaves open; those of `handling` always are
    handling: Handling = field(default_factory=Handling)

    def __post_init__(self) -> None:
        for wrong in _contradictions(self):
            raise ValueError(f"protocol {self.name}: {wrong}")

    def day_and_session(self, taken_at: datetime) -> tuple[date, Session | None]:
        """The day that a wall clock time belongs to, and its session; None outside both.

        A day begins with the morning hours, so that a reading at 00:30 before bed belongs to the evening before.
        """
        wall = taken_at.replace(tzinfo=None)
        begins = self.handling.morning.start
        day = (wall - timedelta(hours=begins.hour, minutes=begins.minute)).date()
        clock = wall.time()
        if self.handling.morning.holds(clock):
            return day, "morning"
        if self.handling.evening.holds(clock):
            return day, "evening"
        if self.handling.outside == "exclude":
            return day, None
        near: Session = (
            "morning" if self.handling.morning.distance(clock) <= self.handling.evening.distance(clock) else "evening"
        )
        return day, near


AF_PER_SESSION = 3
"""Readings a sitting with atrial fibrillation, at least: British and Irish Hypertension Society 2019, by opinion
(read in a summary, the statement itself not looked up)."""


@dataclass(frozen=True, slots=True)
class Goal:
    """below: None where the publication gives none for this person; `note` says why, or whom it is for."""

    below: Pressures | None
    set_by: SetBy | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """What the treating clinician set for one person; goes before the protocol's figures."""

    threshold: Pressures | None = None
    goal: Pressures | None = None
    low: Pressures | None = None  # below in either is marked low
    conditions: frozenset[MedicalCondition] = frozenset()
    born: int | None = None  # year
    morning: Window | None = None  # say, for night work
    evening: Window | None = None

    @property
    def atrial_fibrillation(self) -> bool:
        return MedicalCondition.ATRIAL_FIBRILLATION in self.conditions


@dataclass(frozen=True, slots=True)
class PlannedProtocol:
    """A protocol with a person's plan applied."""

    protocol: Protocol
    plan: Plan
    threshold_set_by: SetBy

    @classmethod
    def of(cls, protocol: Protocol, plan: Plan | None) -> "PlannedProtocol":
        plan = plan or Plan()
        hours = replace(
            protocol.handling,
            morning=plan.morning or protocol.handling.morning,
            evening=plan.evening or protocol.handling.evening,
        )
        per_session = protocol.per_session
        if plan.atrial_fibrillation:
            per_session = max(per_session, protocol.af_per_session or AF_PER_SESSION)
        merged = replace(
            protocol, handling=hours, per_session=per_session, threshold=plan.threshold or protocol.threshold
        )
        return cls(merged, plan, SetBy.PLAN if plan.threshold else SetBy.PROTOCOL)

    def goal(self, on: date | None) -> Goal:
        """The goal for the person on that day: the plan's, else the protocol's for their age.

        No guideline gives a goal for home values in kidney disease: KDIGO 2021 (PMC8366157) has a systolic below 120
        for standardized office readings only; the AHA/ASH/PCNA statement of 2008, with 130/80, is older.
        """
        plan, rules = self.plan, self.protocol
        if plan.goal:
            return Goal(plan.goal, SetBy.PLAN)
        if MedicalCondition.KIDNEY_DISEASE in plan.conditions:
            return Goal(None, None, "kidney disease: no guideline gives a goal for home values; set one in the plan")
        older = rules.target_for_age
        aged = older if older and plan.born and on and on.year - plan.born >= older.age else None
        if MedicalCondition.DIABETES in plan.conditions:
            if aged:
                note = f"diabetes, and age {aged.age} or more: the published goals differ; set one in the plan"
                return Goal(None, None, note)
            return _with_diabetes(rules.target)
        if aged:
            return Goal(aged.target, SetBy.PROTOCOL, f"from age {aged.age}")
        return Goal(rules.target, SetBy.PROTOCOL if rules.target else None)


DIABETES_GOAL = Pressures(Decimal(130), Decimal(80))
"""Home goal with diabetes: Pickering and others, AHA/ASH/PCNA call to action 2008, table (PMC8109940)."""


def _with_diabetes(target: Pressures | None) -> Goal:
    """The rule's own goal where it is as low, else the published one for diabetes."""
    low = DIABETES_GOAL
    if target and target.systolic <= low.systolic and target.diastolic <= low.diastolic:
        return Goal(target, SetBy.PROTOCOL, f"no higher than the one published for diabetes, {low}")
    return Goal(low, SetBy.CONDITION, "for diabetes: AHA/ASH/PCNA 2008")


def _contradictions(protocol: Protocol) -> list[str]:
    morning, evening = protocol.handling.morning, protocol.handling.evening
    found = []
    if morning.holds(evening.start) or evening.holds(morning.start):
        found.append(f"the morning hours ({morning}) and the evening hours ({evening}) overlap")
    if protocol.min_days > protocol.preferred_days:
        found.append(f"min_days ({protocol.min_days}) is more than preferred_days ({protocol.preferred_days})")
    if any(day < 1 for day in protocol.drop_days):
        found.append("drop_days are numbers from 1 up")
    if protocol.drop_first_of_session and protocol.per_session < 2:
        found.append("drop_first_of_session leaves nothing of one reading per session")
    if protocol.keep_first_if_alone and not protocol.drop_first_of_session:
        found.append("keep_first_if_alone goes with drop_first_of_session")
    return found


def _minutes(moment: time) -> int:
    return moment.hour * 60 + moment.minute
