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

from collector.numbers.chance import Call, Further
from collector.numbers.levels import LOW, VERY_HIGH
from collector.numbers.office_home import OfficeHome
from collector.numbers.values import Irregular, Pressures, Said, rounded_text

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
        "back or belly. Weak or numb. A change in sight. Trouble speaking. A sudden bad headache. Confused, dizzy or "
        "being sick. Call first, do not measure again."
    )


def stroke(emergency: str = "") -> str:
    return (
        "A face that droops. An arm that goes weak. Slurred speech. Sudden loss of balance or sight. Call "
        f"{_number(emergency)} at once, whatever the value. Note when it began."
    )


def pregnancy(emergency: str = "") -> str:
    return (
        "Are you pregnant, or did you give birth not long ago? Then lower values can be a danger too, and the limits "
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
        f"It is still very high: {VERY_HIGH.systolic} or more on top, or {VERY_HIGH.diastolic} or more for the lower "
        "value. Call your clinic today, even if you feel well."
    )


def no_longer_very_high() -> str:
    return "The second value is lower. Both are kept. Go on with your plan."


def very_high_in_a_list() -> str:
    """For readings that were taken some time ago."""
    return (
        f"VERY HIGH marks a top value of {VERY_HIGH.systolic} or more, or a lower value of {VERY_HIGH.diastolic} or "
        f"more (mmHg). Was it just now? Sit quietly for {WAIT_MINUTES} minutes and measure again. Still as high? Call "
        "your clinic today."
    )


def low(emergency: str = "", bound: Pressures = LOW) -> str:
    return (
        f"LOW marks a top value below {bound.systolic}, or a lower value below {bound.diastolic} (mmHg). Low values "
        "are common and often do no harm. Do you feel faint, or dizzy when you stand? Are you confused, or did you "
        f"fall? Call your clinic. If you pass out or have chest pain, call {_number(emergency)}."
    )


# --- The average --------------------------------------------------------------------------------------------------


def too_few(short_of: Iterable[str], so_far: bool) -> str:
    """so_far: whether there is an average all the same."""
    rest = " The average so far is only of interest." if so_far else ""
    return f"Too few to say. Still needed: {'; '.join(short_of)}.{rest}"


def against_threshold(average: str, readings: int, threshold: Pressures, at_or_above: bool, set_by: str) -> str:
    """average: as printed, '138.4/86.1'. set_by: 'plan' or 'protocol'."""
    whose = "Your plan" if set_by == "plan" else "The rule in use"
    place = "is at or above that. Take this page to your clinician." if at_or_above else "is below that."
    return (
        f"Your average over these days is {average} mmHg, from {readings} reading{'s' * (readings != 1)}. "
        f"{whose} counts {threshold} or more as high. Your average {place} {ONE_READING}"
    )


def chance(share: float) -> str:
    """'about 7 in 10': never as percent, which it is not sure enough for."""
    if share < 1 - SURELY:
        return "less than 1 in 20"
    if share > SURELY:
        return "more than 19 in 20"
    return f"about {min(9, max(1, int(share * 10 + 0.5)))} in 10"


def usual_values(systolic: tuple[float, float], diastolic: tuple[float, float]) -> str:
    """The 95 % intervals of the usual pressure, for the person."""
    top, lower = (" to ".join(rounded_text(value, 0) for value in pair) for pair in (systolic, diastolic))
    return f"Your usual top value is most likely {top}. The lower one: {lower}."


def usual_against(threshold: Pressures, share: float, called: Call) -> str:
    if called in CALLED:
        return f"The chance that your usual value is {threshold} or more is {chance(share)}. {CALLED[called]}"
    return f"The chance that your usual value is {threshold} or more is {chance(share)}. This is too close to call."


def settling(further: Further | None) -> str:
    """What further measuring may settle a close call."""
    if further is None:
        return "Measuring more now will not settle it. Go on as your clinic asks you to."
    if further in (Further.THREE_DAYS, Further.SEVEN_DAYS):
        return f"{further} may settle it.".replace("3", "Three", 1).replace("7", "Seven", 1)
    return f"A few more days will not help. {str(further).capitalize()} may."


CALLED = {
    Call.CLEARLY_ABOVE: "It is almost surely high.",
    Call.PROBABLY_ABOVE: "It is likely high.",
    Call.PROBABLY_BELOW: "It is likely not high.",
    Call.CLEARLY_BELOW: "It is almost surely not high.",
}
SURELY = 0.95

OFFICE = {
    OfficeHome.WHITE_COAT: "At the clinic it was high, at home it was not. Show your clinic both.",
    OfficeHome.MASKED: "At home it was high, at the clinic it was not. Show your clinic both.",
    OfficeHome.SUSTAINED: "It was high at the clinic and at home. Show your clinic both.",
    OfficeHome.NEITHER: "It was not high, at the clinic or at home.",
}
OFFICE_UNKNOWN = "We cannot yet tell how your clinic and home values go together. Show your clinic both."


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
IMPLAUSIBLE = "Some values can hardly be right. They are kept, and are not in the average. Check them."
HAND_WRITTEN = "Some values were written down by hand. They are shown apart."


# --- A change of regimen ------------------------------------------------------------------------------------------

CHANGE_CAUTIONS = (
    "This is a difference. It does not tell what made it.",
    "High values often bring a change of medicine, and tend to fall back by themselves.",
    "The first day of measuring often runs higher, by about 3/1.",
    "Values run higher in winter, by about 5.",
    "Another cuff, another arm or another time since the last tablet can make a difference like this.",
)
"""Regression to the mean; day 1 higher by 2.8/1.4 (Kyriakoulis and others, J Hypertens 2022, abstract, page not looked
up); winter about 5 (from memory)."""


def difference(which: str, value: float, said: Said) -> str:
    """which: 'top' or 'lower'. value: after less before, mmHg."""
    way = "lower" if value < 0 else "higher"
    size = rounded_text(abs(value), 0)
    if said is Said.CLEAR:
        return f"The {which} value is {size} {way} than before. Chance alone would rarely do that."
    if said is Said.LIKELY:
        return f"The {which} value looks {way}, by about {size}. It may still be chance."
    return f"We cannot tell if the {which} value changed. That does not mean that nothing changed."


def falls_by_itself(value: float, expected: float) -> str:
    """Regression to the mean. value: the difference, a fall. expected: how much of it may be that, mmHg."""
    share = f"About {rounded_text(expected, 0)}" if expected >= 0.5 else "Less than 1"
    return f"High values tend to fall by themselves. {share} of the {rounded_text(abs(value), 0)} may be that."


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
