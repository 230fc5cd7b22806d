"""What there is to say of an average: one wording for the screen and for the page, as sentences and (label, words)."""

from collections import Counter
from collections.abc import Iterator

from collector.numbers import words
from collector.numbers.average import Average
from collector.numbers.chance import Call
from collector.numbers.levels import acc_aha_office_class, esh_office_class, office_of
from collector.numbers.log_digits import COPIED_SITTINGS
from collector.numbers.medical_condition import MedicalCondition
from collector.numbers.office_home import Office, OfficeHome
from collector.numbers.orthostatic import DIASTOLIC_FALL, SYSTOLIC_FALL, WITHIN_S
from collector.numbers.overview import LogDigits
from collector.numbers.series_remarks import SinceDose
from collector.numbers.usual import Usual
from collector.numbers.values import Decides, Mean, Pair, Pressures, SetBy, rounded_text
from collector.share.text.layout import counted
from collector.share.text.reading_text import pressures_text

Labelled = tuple[str, str]
"""A label and what is said under it."""
MOST_REASONS = 6
"""So many reasons of the same kind are told; the rest are counted together."""
DECIDES = {
    Decides.POOLED: ("All readings",),
    Decides.OF_SESSIONS: ("Mean of both",),
    Decides.MORNING: ("Morning",),
    Decides.EVENING: ("Evening",),
    Decides.BOTH: ("Morning", "Evening"),
}


# --- The verdict and how sure it is -------------------------------------------------------------------------------


def verdict(found: Average) -> str:
    """What comes first, before any number."""
    if not found.valid:
        none = "" if found.used else ": no reading counts"
        return f"TOO FEW TO SAY{none}. Still needed: {'; '.join(found.short_of)}."
    place = "AT OR ABOVE" if found.at_or_above else "Below"
    which = f" ({found.decides})" if found.protocol.averaging == "separate" and found.at_or_above else ""
    return f"{place} the threshold of {found.threshold} mmHg{which}, set by {whose(found, found.threshold_set_by)}."


def whose(found: Average, set_by: SetBy | None) -> str:
    if set_by is SetBy.CONDITION:
        return "a published statement"
    return "the person's plan" if set_by is SetBy.PLAN else f"the {found.protocol.name} rule"


def further_verdicts(found: Average) -> Iterator[str]:
    """The second threshold and the goal."""
    rules = found.protocol
    if found.second_at_or_above is not None and rules.second_threshold:
        place = "At or above" if found.second_at_or_above else "Below"
        name = f", {rules.second_class}" if rules.second_class else ""
        yield f"{place} {rules.second_threshold} mmHg{name}."
    goal = found.goal
    note = f" ({goal.note})" if goal.note else ""
    if goal.below and found.below_goal is not None:
        met = "met" if found.below_goal else "not met"
        yield f"Goal below {goal.below} mmHg, set by {whose(found, goal.set_by)}{note}: {met}."
    elif goal.note:
        yield f"No goal: {goal.note}."


def how_sure(found: Average) -> Iterator[str]:
    """The interval for the usual pressure, and the chance that it is at or above the threshold."""
    if found.usual:
        systolic, diastolic = (span_text(one) for one in found.usual)
        yield f"Usual pressure, 95 %: {systolic} systolic, {diastolic} diastolic mmHg."
    standing = found.standing
    if standing:
        chance = words.chance(standing.chance)
        named = str(standing.call)
        yield f"Chance that it is at or above {found.threshold} mmHg: {chance}, {named}."
        if standing.call is Call.TOO_CLOSE:
            yield words.settling(standing.further)


def span_text(one: Usual) -> str:
    return f"{rounded_text(one.low, 0)} to {rounded_text(one.high, 0)}"


SURE_BY = (
    "from the spread of these days and what studies of home measuring show, with a drift over weeks (SD 3.5/2.2 mmHg) "
    "that a short series cannot show. Not in it: the cuff's own error, the season."
)


def counts(found: Average) -> str:
    later = (
        f" After these days there {'was' if found.later == 1 else 'were'} {readings(found.later)}, too few to count."
        if found.later
        else ""
    )
    taken = f"{readings(found.used)} used of {found.taken} taken, on {days(found.days)}"
    return f"{taken}: {'valid' if found.valid else 'not enough'} by the {found.protocol.name} rule.{later}"


# --- Rows ---------------------------------------------------------------------------------------------------------


def mean_rows(found: Average) -> Iterator[tuple[str, Mean, bool]]:
    """(label, mean, whether it decides)."""
    for label, mean in (
        ("All readings", found.pooled),
        ("Morning", found.morning),
        ("Evening", found.evening),
        ("Mean of both", found.of_sessions),
    ):
        if mean is not None:
            yield label, mean, label in DECIDES[found.decides]


def left_out(found: Average) -> Iterator[Labelled]:
    """How many readings do not count, and why."""
    reasons = Counter(reason for _, reason in found.excluded).most_common()
    for reason, count in reasons[:MOST_REASONS]:
        yield readings(count), reason
    if rest := sum(count for _, count in reasons[MOST_REASONS:]):
        yield readings(rest), "for other reasons"


def variation(found: Average) -> Iterator[Labelled]:
    spread = found.spread
    if spread.sd and spread.cv and spread.arv and spread.rmssd and spread.range:
        yield (
            f"Of {spread.n} {spread.unit}",
            f"SD {pair(spread.sd)}, ARV {pair(spread.arv)}, RMSSD {pair(spread.rmssd)}, "
            f"range {pair(spread.range)} mmHg, CV {pair(spread.cv)} %",
        )
    if found.these_days:
        yield "These days' mean", f"known to {pair(found.these_days)} mmHg either way (95 %, for these days alone)"
    if found.morning_minus_evening:
        yield "Morning less evening", f"{signed_pair(found.morning_minus_evening)} mmHg"
    if found.first_to_second:
        yield "First less second", f"{signed_pair(found.first_to_second)} mmHg within a sitting"
    yield from standing_rows(found)
    if found.pulse_pressure is not None:
        yield "Pulse pressure", f"{rounded_text(found.pulse_pressure)} mmHg"
    if found.mean_pressure is not None:
        measured = found.mean_by_cuff
        yield (
            "Mean pressure",
            f"{rounded_text(measured)} mmHg, by the cuff"
            if measured is not None
            else f"{rounded_text(found.mean_pressure)} mmHg, an estimate: a third of the way up",
        )
    if found.load.of:
        ten = "" if found.load.last_ten is None else f"; {found.load.last_ten} of the last ten in systolic"
        yield "High readings", f"{found.load.either} of {found.load.of} at or above the threshold{ten}"


def standing_rows(found: Average) -> Iterator[Labelled]:
    """The largest fall on standing, in a line; nothing where no reading is marked as taken standing."""
    if not found.on_standing:
        return
    pairs = found.on_standing
    most = min(pairs, key=lambda one: min(one.systolic / SYSTOLIC_FALL, one.diastolic / DIASTOLIC_FALL))
    judged = [one.meets for one in pairs if one.meets is not None]
    criterion = f"{SYSTOLIC_FALL} or {DIASTOLIC_FALL} lower within {WITHIN_S // 60} min"
    met = (
        f"{sum(judged)} of {len(judged)} meet the usual criterion ({criterion})"
        if judged
        else "taken too late to be judged"
    )
    values = (pressures_text(one.systolic, one.diastolic) for one in (most.sitting, most.standing))
    yield (
        "Standing",
        f"{' sitting, '.join(values)} standing {rounded_text(most.after_s / 60, 0)} min later"
        f"{', the largest fall' if len(pairs) > 1 else ''}; {met}: for the clinician to judge",
    )


def remarks(found: Average, very_high: int, lows: int, low: Pressures) -> Iterator[Labelled]:
    """What wants telling, the gravest first. very_high, lows: so many readings; low: the bound."""
    if very_high:
        yield (
            "VERY HIGH",
            f"{readings(very_high)} with a top value of 180 or more, or a lower one of 120 or more (mmHg)",
        )
    if lows:
        yield (
            "LOW",
            f"{readings(lows)} with a top value below {low.systolic}, or a lower one below {low.diastolic} (mmHg)",
        )
    irregular = found.irregular
    if irregular.readings:
        tell = " An ECG can tell more." if irregular.worth_telling else ""
        count = f"{irregular.readings} of {readings(irregular.of)}, on {days(irregular.days)}"
        yield "Uneven pulse", f"marked in {count}: less certain, diastolic most.{tell}"
    if MedicalCondition.ATRIAL_FIBRILLATION in found.conditions:
        short = [
            cell.taken < found.protocol.per_session
            for row in found.grid
            for cell in (row.morning, row.evening)
            if cell.taken
        ]
        if any(short):
            asked = f"{readings(found.protocol.per_session)} a sitting are asked for"
            yield "Atrial fibrillation", f"{asked}: {sum(short)} of {len(short)} sittings have fewer"
    if found.implausible:
        odd = len({name for name, _ in found.implausible})
        not_in = ", not in the mean" if found.protocol.handling.implausible == "exclude" else ", kept and marked"
        yield "Implausible", f"{readings(odd)}{not_in}"
    if found.hand_written:
        yield "By hand", f"{readings(found.hand_written)} of those used written down by hand"
    if found.uncertain_times:
        yield "Time not certain", f"{readings(found.uncertain_times)} of those used"
    if found.too_close:
        yield "Too close", f"{readings(found.too_close)} under {found.protocol.gap_s} s after the one before"


def log_remarks(since: SinceDose | None, log: LogDigits | None) -> Iterator[Labelled]:
    """Hours since a noted dose; of a hand-written log what its digits tell: to ask about, never to accuse."""
    if since:
        some = f"{since.readings} of {since.of} readings"
        yield (
            "Since the dose",
            f"taken {rounded_text(since.median_h)} hours after the last noted dose, median of {some}",
        )
    if log and log.digits and log.digits.worth_asking:
        yield "Last digits", f"{log.digits.zeros} of {log.digits.values} values written by hand end in 0: rounded?"
    if log and log.copied >= COPIED_SITTINGS:
        yield "Second like first", f"in {log.copied} of {log.sittings} sittings: copied, or sent twice?"


def office_rows(office: Office | None, found: Average) -> Iterator[Labelled]:
    """The office in a line, and home against it."""
    if office is None:
        return
    acc, esh = (of(office.mean.systolic, office.mean.diastolic) for of in (acc_aha_office_class, esh_office_class))
    visits = f"{counted(len(office.visits), 'visit')}, the last on {office.visits[-1].day}"
    more = "; the first two readings are far apart: take another" if office.another_reading else ""
    yield "In the office", f"{office.mean} mmHg, {visits}: {acc} (ACC/AHA), {esh} (ESH){more}"
    if MedicalCondition.ATRIAL_FIBRILLATION in found.conditions:
        yield "Home and office", "not compared: with atrial fibrillation the values are too uncertain"
    elif office.by_means and office.bound:
        yield "Home and office", office_home_text(office, found)
    elif office_of(found.threshold) is None:
        yield "Home and office", f"not compared: no source says what {found.threshold} mmHg at home is in the office"


def office_home_text(office: Office, found: Average) -> str:
    assert office.by_means
    chance = office.chances[list(OfficeHome).index(office.by_means)] if office.chances else 0.0
    treated = {OfficeHome.WHITE_COAT: "white-coat effect", OfficeHome.MASKED: "masked uncontrolled"}.get(
        office.by_means
    )
    under = f" (in treated people: {treated})" if treated else ""
    surely = "" if office.called else "; cannot be told yet"
    bounds = f"{office.bound} there and {found.threshold} mmHg at home"
    held = f"chance that it holds {words.chance(chance)}{surely}"
    return f"{office.by_means}{under} by definition; {held}. Bounds: {bounds}"


# --- Numbers as text ----------------------------------------------------------------------------------------------


def mean_text(mean: Mean | Pressures, beside: Pressures) -> str:
    """One decimal, and never rounded onto the threshold from below: the one rounding of means everywhere."""
    return "/".join(
        rounded_text(value, beside=bound)
        for value, bound in ((mean.systolic, beside.systolic), (mean.diastolic, beside.diastolic))
    )


def pair(both: Pair) -> str:
    return f"{rounded_text(both.systolic)}/{rounded_text(both.diastolic)}"


def signed(value: float) -> str:
    text = rounded_text(value)
    return text if text.startswith("-") or text == "0.0" else f"+{text}"


def signed_pair(both: Pair) -> str:
    return f"{signed(both.systolic)}/{signed(both.diastolic)}"


def days(count: int) -> str:
    return counted(count, "day")


def readings(count: int) -> str:
    return counted(count, "reading")
