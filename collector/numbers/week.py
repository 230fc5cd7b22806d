"""The seven days up to today, session by session: done, in part, missed, due now or still to come; and what is next.

Pure: takes one person's readings and the wall clock. Which readings count, and when a session is, is the protocol's.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum

from collector.numbers import words
from collector.numbers.average import Average
from collector.numbers.judging import SESSIONS
from collector.numbers.levels import is_very_high
from collector.numbers.rules import Protocol, Session, Window
from collector.numbers.selecting import has_value
from collector.numbers.values import Sample

DAYS = 7


class Done(StrEnum):
    WHOLE = "done"
    PART = "in part"
    MISSED = "missed"
    DUE = "due now"
    LATER = "to come"
    NOT_ASKED = "not asked"  # before the series, or after a whole one


@dataclass(frozen=True, slots=True)
class WeekSession:
    """One session of one day. taken, wanted: readings."""

    session: Session
    state: Done
    taken: int
    wanted: int


@dataclass(frozen=True, slots=True)
class Day:
    day: date
    sessions: tuple[WeekSession, WeekSession]


def week(samples: Iterable[Sample], found: Average, now: datetime) -> tuple[Day, ...]:
    """found: the average of these samples' most recent series. now: aware, in the person's zone."""
    rules = found.protocol
    today, _ = rules.day_and_session(now)
    first = today - timedelta(DAYS - 1)
    taken = Counter(
        (day, session)
        for day, session, one in ((*rules.day_and_session(one.taken_at), one) for one in samples)
        if session is not None
        and day >= first
        and has_value(one)
        and not one.void
        and not one.status & rules.handling.exclude_flags
    )
    days = [first + timedelta(number) for number in range(DAYS)]

    def of(day: date, session: Session) -> WeekSession:
        asked = (found.first or today) <= day and not (found.complete and found.last and day > found.last)
        return _session(day, session, taken[day, session], asked, found, now)

    return tuple(Day(day, (of(day, SESSIONS[0]), of(day, SESSIONS[1]))) for day in days)


def _session(day: date, session: Session, count: int, asked: bool, found: Average, now: datetime) -> WeekSession:
    rules = found.protocol
    today, present = rules.day_and_session(now)
    if count >= rules.per_session:
        state = Done.WHOLE
    elif not asked:
        state = Done.PART if count else Done.NOT_ASKED
    elif day == today and session == present:
        state = Done.DUE
    elif day == today and _begins_later(session, rules, now):
        state = Done.LATER
    else:
        state = Done.PART if count else Done.MISSED
    return WeekSession(session, state, count, rules.per_session)


def _hours(rules: Protocol, session: Session) -> Window:
    return rules.handling.morning if session == "morning" else rules.handling.evening


def _begins_later(session: Session, rules: Protocol, now: datetime) -> bool:
    """Of today's sessions; a day begins with the morning hours, so that 00:30 is late in it."""
    begins = rules.handling.morning.start

    def into_the_day(clock: time) -> int:
        return (clock.hour * 60 + clock.minute - begins.hour * 60 - begins.minute) % 1440

    return into_the_day(_hours(rules, session).start) > into_the_day(now.time())


VERY_HIGH_STANDS = timedelta(hours=1)
"""So long a very high reading is what comes first; a choice of this project, no source."""


def after_very_high(samples: Sequence[Sample], now: datetime) -> str:
    """What to do after a very high reading of the last hour, as a sitting says it; '' where the newest is none."""
    last = [one for one in samples if has_value(one) and not one.void and timedelta() <= now - one.taken_at]
    high = [is_very_high(one.systolic, one.diastolic) and now - one.taken_at < VERY_HIGH_STANDS for one in last[-2:]]
    if not high or not high[-1]:
        return ""
    return words.still_very_high() if len(high) == 2 and high[0] else words.very_high()


def next_step(days: Sequence[Day], found: Average) -> str:
    """What to do next, in one sentence."""
    rules, sessions = found.protocol, days[-1].sessions
    for one in sessions:
        if one.state is Done.DUE:
            return words.measure_now(one.session, one.wanted - one.taken)
    if found.complete:
        return words.series_complete()
    for one in sessions:
        if one.state is Done.LATER:
            return words.measure_later(one.session, _hours(rules, one.session).start, one.wanted)
    return words.measure_tomorrow(rules.handling.morning.start, rules.per_session)
