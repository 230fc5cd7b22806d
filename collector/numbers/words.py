"""All words that a person reads about their values: short sentences, calm, never advice on medicines.

Sources for the content, the wording is our own: the American Heart Association's page for patients on very high
values (180/120 or greater: wait, repeat; signs), the National Heart, Lung, and Blood Institute's page (wait five
minutes), CMAJ 2021 (PMC8342011: a raised home value without symptoms is rarely an emergency), the BE FAST signs of
stroke, NICE NG136 and the Taiwan consensus 2020 on an irregular pulse (three readings; feel the pulse). From memory:
160/110 as severe in pregnancy; 'below 90/60' as low. What is common practice without a source: to wait five quiet
minutes before measuring.

emergency: the local number; empty where none is configured. Reading age is held by a test.
"""

from collections.abc import Iterable
from datetime import datetime, time

from collector.numbers.levels import LOW, VERY_HIGH
from collector.numbers.values import Irregular, Pair, Pressures, rounded_text

# --- Why a reading does not count ---------------------------------------------------------------------------------

NO_VALUE = "no value: the measurement failed"
TIME_NOT_CERTAIN = "its time is not certain"
OTHER_HOURS = "outside the morning and evening hours"
FIRST_OF_SITTING = "first of its sitting"
MORE_THAN_ASKED = "more than the protocol asks for"


def day_left_out(number: int) -> str:
    return f"day {number} is left out"


def flagged(flags: Iterable[str]) -> str:
    return f"flagged: {', '.join(flags)}"


def implausible(marks: Iterable[str]) -> str:
    return f"implausible: {'; '.join(marks)}"


# --- On every page ------------------------------------------------------------------------------------------------

NOT_A_DIAGNOSIS = "These values were measured at home. They are not a diagnosis. Change no medicine on your own."
CHILDREN = "These limits are for adults. For a child, ask the child's clinic."
ONE_READING = "One reading decides nothing. The average of several days counts."


def caution(emergency: str = "") -> str:
    """Goes with every average, report and very high reading."""
    return f"{NOT_A_DIAGNOSIS} Your clinician decides. If you feel very ill, call {_number(emergency)}."


def signs(emergency: str = "") -> str:
    """The signs that make a very high or very low value an emergency."""
    return (
        "Call " + _number(emergency) + " now if you have any of these. Chest pain. Short of breath. Pain in the "
        "back "
        "or belly. Weak or numb. A change in sight. Trouble speaking. A sudden bad headache. Confused, dizzy or "
        "being sick. Do not wait to measure again."
    )


def stroke(emergency: str = "") -> str:
    return (
        "A face that droops. An arm that goes weak. Slurred speech. Sudden loss of balance or sight. Call "
        f"{_number(emergency)} at once, whatever the value. Note when it began."
    )


def pregnancy(emergency: str = "") -> str:
    return (
        "Are you pregnant, or did you give birth not long ago? Then lower values can be a danger too, and the "
        "limits "
        "here do not hold for you. Call your clinic. From 160 over 110, or if you feel ill, call at once: your "
        f"clinic or {_number(emergency)}."
    )


# --- A very high or a low value -----------------------------------------------------------------------------------

WAIT_MINUTES = 5


def very_high() -> str:
    """After a first very high reading."""
    return f"This reading is very high. Sit quietly for {WAIT_MINUTES} minutes. Then measure again."


def still_very_high() -> str:
    """After the repeat, without signs."""
    return (
        f"It is still {VERY_HIGH.systolic} or more on top, or {VERY_HIGH.diastolic} or more below. "
        "Call your clinic today, even if you feel well."
    )


def no_longer_very_high() -> str:
    return "The second value is lower. Both are kept. Go on with your plan."


def very_high_in_a_list() -> str:
    """For readings that were taken some time ago."""
    return (
        f"VERY HIGH marks values of {VERY_HIGH.systolic} or more on top, or {VERY_HIGH.diastolic} or more below "
        f"(mmHg). Was it just now? Sit quietly for {WAIT_MINUTES} minutes and measure again. As high again? Call "
        f"your "
        "clinic today."
    )


def low(emergency: str = "", bound: Pressures = LOW) -> str:
    return (
        f"LOW marks values below {bound.systolic} on top, or below {bound.diastolic} below (mmHg). Low values are "
        "common and often do no harm. Do you feel faint, or dizzy when you stand? Are you confused, or did you "
        f"fall? Call your clinic. If you pass out or have chest pain, call {_number(emergency)}."
    )


# --- The average --------------------------------------------------------------------------------------------------


def too_few(short_of: Iterable[str], so_far: bool) -> str:
    """so_far: whether there is an average all the same."""
    rest = " The average so far is only of interest." if so_far else ""
    return f"Too few to say. Still needed: {'; '.join(short_of)}.{rest}"


def standing(average: str, readings: int, threshold: Pressures, at_or_above: bool, set_by: str) -> str:
    """average: as printed, '138.4/86.1'. set_by: 'plan' or 'protocol'."""
    whose = "Your plan" if set_by == "plan" else "The rule in use"
    place = "is at or above that. Take this page to your clinician." if at_or_above else "is below that."
    return (
        f"Your average over these days is {average} mmHg, from {readings} reading{'s' * (readings != 1)}. "
        f"{whose} counts {threshold} or more as high. Your average {place} {ONE_READING}"
    )


def trust(margin: Pair | None, days: int) -> str:
    """How far the mean can be trusted. margin: half the 95 % interval, from day means."""
    if margin is None:
        return "With under 3 days, nobody can tell how far to trust this average."
    return (
        f"The average could be {_whole(margin.systolic)} either way on top, and {_whole(margin.diastolic)} "
        f"either way "
        f"below (mmHg). This comes from how much the averages of the {days} days differ."
    )


def irregular(found: Irregular) -> str:
    """Empty where the cuff flagged nothing, which proves nothing either."""
    if not found.readings:
        return ""
    days = f"{found.days} day{'s' * (found.days != 1)}"
    tell = " Tell your clinician. A heart tracing (ECG) can show what it is." if found.worth_telling else ""
    return (
        f"The cuff marked an uneven pulse in {found.readings} of {found.of} readings, on {days}. This is not a "
        f"diagnosis.{tell} The average is less certain, the lower value most of all."
    )


THIRD_READING = "The cuff marked an uneven pulse. Please take a third reading. All of them count."
IMPLAUSIBLE = "Some values can hardly be right. They are kept and marked. Check them."
HAND_WRITTEN = "Some values were written down by hand. They are shown apart."


# --- A change of regimen ------------------------------------------------------------------------------------------

CHANGE_CAUTIONS = (
    "This is a difference. It does not tell what made it.",
    "High values often bring a change of medicine, and high values tend to fall back by themselves.",
    "The first day of measuring often runs higher, by about 3/1.",
    "Values run higher in winter, by about 5.",
    "Another cuff, another arm or another time since the last tablet can make a difference like this.",
)
"""Regression to the mean; day 1 higher by 2.8/1.4 (Kyriakoulis and others 2022); winter about 5 (from memory)."""


def two_weeks(systolic: float, diastolic: float) -> str:
    """The noise of two weekly means in one person. Source: Warren and others 2010, within-person CV of a week's
    mean."""
    return (
        f"Without any change, two weeks of one person can differ by {_whole(systolic)} on top and "
        f"{_whole(diastolic)} below (mmHg). Under about 8 on top is weak. Under about 15 can be chance."
    )


def by_chance(systolic: float, diastolic: float) -> str:
    return (
        f"For these days, a difference of up to {_whole(systolic)} on top and {_whole(diastolic)} below is "
        f"common by "
        "chance alone."
    )


def clear_or_not(which: str, difference: float, clear: bool) -> str:
    """which: 'top' or 'lower'."""
    way = "lower" if difference < 0 else "higher"
    said = "more than chance is likely to make" if clear else "no more than chance can make"
    return f"The {which} value is {rounded_text(abs(difference))} mmHg {way} after. That is {said}."


def far_apart(weeks: int) -> str:
    return f"About {weeks} weeks lie between the two. The season may have its share."


# --- What to do next ----------------------------------------------------------------------------------------------


def measure_now(session: str, readings: int) -> str:
    return f"It is time for your {session} readings: take {_readings(readings)}, one minute apart."


def measure_later(session: str, starts: time, readings: int) -> str:
    return f"Next: {_readings(readings)} this {session}, from {starts:%H:%M} on."


def measure_tomorrow(starts: time, readings: int) -> str:
    return f"You are done for today. Next: {_readings(readings)} tomorrow morning, from {starts:%H:%M} on."


def series_complete() -> str:
    return "Your series is complete. Take its page to your visit. Ask there when to measure again."


def outside_hours(wall: datetime, morning: object, evening: object) -> str:
    """morning, evening: the hours as they print."""
    return (
        f"It is {wall:%H:%M}. This rule counts readings from {morning} and from {evening}. "
        "A sitting now is kept, but no average will use it."
    )


def _readings(count: int) -> str:
    return f"{count} reading{'s' * (count != 1)}"


# --- Getting ready ------------------------------------------------------------------------------------------------

PREPARATION = (
    "For 30 minutes: no smoking, no coffee or tea, no sport, no alcohol.",
    "Go to the toilet first.",
    "Sit down, back against the chair, feet flat, legs not crossed.",
    "Bare your arm and rest it on a table. The cuff is as high as your heart.",
    "The cuff ends just above the bend of your elbow. Use the same arm each time.",
    "Rest for five quiet minutes.",
    "Keep still and do not talk while the cuff works.",
    "Wait one minute, then measure again. Every value counts: leave none out.",
)
"""Source: PMC8034801, PMC8030885 and Hypertension Canada 2020; alcohol from memory."""


def _number(emergency: str) -> str:
    return f"the emergency number {emergency}" if emergency else "your emergency number"


def _whole(value: float) -> str:
    return rounded_text(max(1.0, value), 0)
