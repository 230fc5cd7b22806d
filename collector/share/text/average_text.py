"""An average as lines of text: the number first, then what it rests on. For a physician with ten seconds."""

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime
from decimal import Decimal

from collector.numbers import words
from collector.numbers.average import Average
from collector.numbers.levels import LOW, is_low, is_very_high
from collector.numbers.values import Mean, Pair, Pressures, Sample, exact_text, rounded_text
from collector.share.text.layout import columns, fits, visible, wrapped
from collector.share.text.reading_text import pressures_text

FEW = 6
"""So many reasons of the same kind are told; the rest are counted together."""


def average_lines(found: Average, person: str, width: int | None = None) -> Iterator[str]:
    """Everything a page of paper would say about the mean, in lines of at most `width` columns."""
    yield from _wrapped(headline(found, person), width)
    if found.short_of:
        yield from _wrapped(f"TOO SHORT to decide. Still needed: {'; '.join(found.short_of)}", width)
    yield from _wrapped(_judged(found), width)
    yield ""
    if found.pooled:
        yield from _means(found, width)
        yield ""
    yield from columns(list(facts(found)), width)


def headline(found: Average, person: str) -> str:
    """Whose, what, how far to trust it: '138.4/86.1 mmHg, give or take 4/3'."""
    if found.systolic is None or found.diastolic is None:
        return f"{visible(person)}: no average: no reading counts"
    pulse = f", pulse {rounded_text(found.pulse, 0)}/min" if found.pulse is not None else ""
    trust = f", give or take {_whole(found.margin)} mmHg" if found.margin else ""
    mean = pressures(found.systolic, found.diastolic, found.threshold)
    return f"{visible(person)}: {mean} mmHg{'' if found.valid else ' so far'}{trust}{pulse}"


def _judged(found: Average) -> str:
    by = f"by {found.protocol.name}"
    whose = "the plan's" if found.threshold_set_by == "plan" else "the protocol's"
    if found.at_or_above is None:
        return f"nothing to hold against {whose} {found.threshold} mmHg, {by}"
    place = "below" if not found.at_or_above else "AT OR ABOVE" if found.valid else "at or above"
    apart = ""
    if found.protocol.averaging == "separate" and found.at_or_above:
        apart = f" ({found.decides})"
    goal = ""
    if found.goal and found.below_goal is not None:
        goal = f"; goal below {found.goal} mmHg: {'met' if found.below_goal else 'not met'}"
    return f"{place} {whose} {found.threshold} mmHg{apart}, {by}{goal}"


MEANS = ("", "mmHg", "pulse", "readings", "days")


def _means(found: Average, width: int | None) -> Iterator[str]:
    rows = list(_table(found))
    if fits([MEANS, *rows], width):
        return columns(rows, width, MEANS, frozenset({1, 2, 3}))
    return columns(
        [(name, mean, days) for name, mean, _, _, days in rows], width, (MEANS[0], MEANS[1], MEANS[4]), frozenset({1})
    )


def _table(found: Average) -> Iterator[tuple[str, ...]]:
    for name, mean in (
        ("all readings", found.pooled),
        ("morning", found.morning),
        ("evening", found.evening),
        ("mean of both", found.of_sessions),
    ):
        if mean is not None:
            yield (name + (" *" if name == DECIDES.get(found.decides) else ""), *_mean_cells(mean, found.threshold))


DECIDES = {"pooled": "all readings", "mean of morning and evening": "mean of both"}


def _mean_cells(mean: Mean, threshold: Pressures) -> tuple[str, ...]:
    return (
        pressures(mean.systolic, mean.diastolic, threshold),
        "" if mean.pulse is None else rounded_text(mean.pulse, 0),
        str(mean.readings),
        str(mean.days),
    )


def facts(found: Average) -> Iterator[tuple[str, str]]:
    """What the mean rests on, as (name, words)."""
    yield "protocol", f"{found.protocol.title}, {found.protocol.edition}"
    yield "period", period(found)
    yield (
        "readings",
        (
            f"{found.used} used of {found.taken} taken; {found.had} of {found.wanted} of a whole series"
            + ("" if found.valid else "; not enough")
        ),
    )
    left = Counter(reason for _, reason in found.excluded)
    for reason, count in left.most_common(FEW):
        yield "not used", f"{count}: {reason}"
    if rest := sum(count for _, count in left.most_common()[FEW:]):
        yield "not used", f"{rest}: for other reasons (--readings shows each)"
    yield from _spread(found)
    if found.morning_minus_evening:
        yield "am less pm", f"{_signed(found.morning_minus_evening)} mmHg"
    if found.first_to_second:
        yield "1st less 2nd", f"{_signed(found.first_to_second)} mmHg, within a sitting"
    if found.load.of:
        yield "at or above", f"{found.load.either} of {found.load.of} readings, in either value"
    yield from _warnings(found)


def _spread(found: Average) -> Iterator[tuple[str, str]]:
    spread = found.spread
    if spread.sd and spread.cv and spread.arv:
        yield (
            "spread",
            (
                f"SD {pair(spread.sd)} mmHg, CV {pair(spread.cv)} %, ARV {pair(spread.arv)} mmHg, of "
                f"{spread.n} {spread.unit}"
            ),
        )


def _warnings(found: Average) -> Iterator[tuple[str, str]]:
    if found.irregular.readings:
        tell = "; worth telling" if found.irregular.worth_telling else ""
        yield (
            "irregular pulse",
            (
                f"{found.irregular.readings} of {found.irregular.of} readings, on "
                f"{_counted(found.irregular.days, 'day')}{tell}"
            ),
        )
    if found.hand_written:
        yield "by hand", f"{found.hand_written} of those used were written by hand"
    if found.uncertain_times:
        yield "time not certain", f"{found.uncertain_times} of those used"
    if found.implausible:
        yield "implausible", f"{_counted(len({one for one, _ in found.implausible}), 'reading')}, kept and marked"
    if found.too_close:
        yield "too close", f"{_counted(found.too_close, 'reading')} sooner than {found.protocol.gap_s} s after the last"


def period(found: Average) -> str:
    if found.first is None or found.last is None:
        return "no readings"
    calendar = (found.last - found.first).days + 1
    return (
        f"{found.first} to {found.last}, {_counted(calendar, 'day')}, {found.days} with readings"
        f"{', all that the protocol prefers' if found.complete else ''}"
    )


READINGS = ("taken", "mmHg", "pulse", "reading", "what became of it")


def reading_lines(found: Average, samples: Sequence[Sample], width: int | None = None) -> Iterator[str]:
    """Each reading of the period with what became of it."""
    rows = list(reading_rows(found, samples))
    if fits([READINGS, *rows], width, 20):
        yield from columns(rows, width, READINGS, frozenset({1, 2}))
        return
    for taken, pressure, _, reading, fate in rows:
        yield from _wrapped(f"{taken}  {pressure}", width)
        yield from (f"  {line}" for line in _wrapped(f"{fate} ({reading[:8]})", width and width - 2))


def reading_rows(found: Average, samples: Sequence[Sample]) -> Iterator[tuple[str, ...]]:
    """Each as (when, pressure, pulse, id, used or why not)."""
    reasons = dict(found.excluded)
    used = set(found.used_ids)
    for one in sorted(samples, key=lambda sample: (sample.taken_at.timestamp(), sample.reading_id)):
        if one.reading_id in used or one.reading_id in reasons:
            fate = "used" if one.reading_id in used else f"not used: {reasons[one.reading_id]}"
            marks = "; ".join(sorted(one.status))
            yield (
                one.taken_at.isoformat(" ", "minutes"),
                pressures_text(one.systolic, one.diastolic),
                "" if one.pulse is None else exact_text(one.pulse),
                one.reading_id,
                f"{fate}; {marks}" if marks and one.reading_id in used else fate,
            )


def outstanding(samples: Sequence[Sample], found: Average, low: Pressures | None) -> tuple[list[Sample], list[Sample]]:
    """Readings of the period that are very high, and those that are low."""
    own = {*found.used_ids, *(one for one, _ in found.excluded)}
    within = [one for one in samples if one.reading_id in own]
    return (
        [one for one in within if is_very_high(one.systolic, one.diastolic)],
        [one for one in within if is_low(one.systolic, one.diastolic, low or LOW)],
    )


def spoken(found: Average, emergency: str) -> Iterator[str]:
    """The same for the person measured, in easy words, with the caution at the end."""
    if found.systolic is not None and found.diastolic is not None:
        if found.short_of:
            yield words.too_few(found.short_of, so_far=True)
        elif found.at_or_above is not None:
            yield words.standing(
                pressures(found.systolic, found.diastolic, found.threshold),
                found.used,
                found.threshold,
                found.at_or_above,
                found.threshold_set_by,
            )
        yield words.trust(found.margin, found.days_used)
    elif found.short_of:
        yield words.too_few(found.short_of, so_far=False)
    yield from filter(
        None,
        (
            words.irregular(found.irregular),
            words.IMPLAUSIBLE if found.implausible else "",
            words.HAND_WRITTEN if found.hand_written else "",
        ),
    )
    yield words.caution(emergency)


def pressures(systolic: Decimal, diastolic: Decimal, beside: Pressures) -> str:
    """One decimal, and never rounded onto the threshold from below."""
    return f"{rounded_text(systolic, beside=beside.systolic)}/{rounded_text(diastolic, beside=beside.diastolic)}"


def pair(both: Pair) -> str:
    return f"{rounded_text(both.systolic)}/{rounded_text(both.diastolic)}"


def moment(at: datetime) -> str:
    return at.isoformat(" ", "minutes")


def _whole(both: Pair) -> str:
    return "/".join(rounded_text(max(1.0, value), 0) for value in (both.systolic, both.diastolic))


def _signed(both: Pair) -> str:
    return "/".join(("+" if value > 0 else "") + rounded_text(value) for value in (both.systolic, both.diastolic))


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


def _wrapped(text: str, width: int | None) -> list[str]:
    return [text] if width is None else wrapped(text, width)
