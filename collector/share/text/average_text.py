"""An average as lines of text: the verdict, the number, how sure it is, then what it rests on."""

from collections.abc import Iterator, Sequence
from datetime import datetime

from collector.numbers import words
from collector.numbers.average import Average
from collector.numbers.chance import Call
from collector.numbers.levels import LOW
from collector.numbers.office_home import Office
from collector.numbers.overview import Overview
from collector.numbers.values import Mean, Pressures, Sample, exact_text, rounded_text
from collector.share.text import findings
from collector.share.text.layout import columns, fits, visible, wrapped
from collector.share.text.reading_text import pressures_text

MEANS = ("", "mmHg", "pulse", "readings", "days")
READINGS = ("taken", "mmHg", "pulse", "reading", "what became of it")


def average_lines(
    found: Average, person: str, width: int | None = None, beside: Overview | None = None, low: Pressures = LOW
) -> Iterator[str]:
    """Everything a page of paper would say about the mean, in lines of at most `width` columns."""
    for text in (findings.verdict(found), headline(found, person), *findings.how_sure(found)):
        yield from _wrapped(text, width)
    for text in findings.further_verdicts(found):
        yield from _wrapped(text, width)
    yield ""
    if found.pooled:
        yield from _means(found, width)
        yield ""
    yield from columns(list(facts(found, beside, low)), width)


def headline(found: Average, person: str) -> str:
    """Whose, and the number: 'mira: 138.4/86.1 mmHg, pulse 64/min'."""
    return f"{visible(person)}: {number(found)}"


def number(found: Average) -> str:
    """The mean and the pulse; of too few readings it says so beside."""
    if found.mean is None:
        return "no average"
    pulse = f", pulse {rounded_text(found.pulse, 0)}/min" if found.pulse is not None else ""
    so_far = "" if found.valid else " so far, of interest only"
    return f"{findings.mean_text(found.mean, found.threshold)} mmHg{pulse}{so_far}"


def _means(found: Average, width: int | None) -> Iterator[str]:
    rows = [
        (label.lower() + (" *" if decides else ""), *_mean_cells(mean, found.threshold))
        for label, mean, decides in findings.mean_rows(found)
    ]
    if fits([MEANS, *rows], width):
        return columns(rows, width, MEANS, frozenset({1, 2, 3}))
    return columns(
        [(name, mean, days) for name, mean, _, _, days in rows], width, (MEANS[0], MEANS[1], MEANS[4]), frozenset({1})
    )


def _mean_cells(mean: Mean, threshold: Pressures) -> tuple[str, str, str, str]:
    pulse = "" if mean.pulse is None else rounded_text(mean.pulse, 0)
    return findings.mean_text(mean, threshold), pulse, str(mean.readings), str(mean.days)


def facts(found: Average, beside: Overview | None = None, low: Pressures = LOW) -> Iterator[findings.Labelled]:
    """What the mean rests on, as (name, words)."""
    very_high, lows = (len(beside.very_high), len(beside.low)) if beside else (0, 0)
    yield "Rule", f"{found.protocol.title}, {found.protocol.edition}"
    yield "Period", period(found)
    yield "Readings", findings.counts(found)
    whole = f"{findings.readings(found.had)}; the rule prefers {found.wanted}"
    yield "Whole series", whole if found.had > found.wanted else f"{found.had} of {findings.readings(found.wanted)}"
    for count, reason in findings.left_out(found):
        yield "Not used", f"{count}: {reason}"
    yield from findings.variation(found)
    yield from findings.office_rows(beside.office if beside else None, found)
    yield from findings.remarks(found, very_high, lows, low)


def period(found: Average) -> str:
    if found.first is None or found.last is None:
        return "no readings"
    calendar = findings.days((found.last - found.first).days + 1)
    whole = ", all that the rule prefers" if found.complete else ""
    return f"{found.first} to {found.last}, {calendar}, {found.days} with readings{whole}"


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
                moment(one.taken_at),
                pressures_text(one.systolic, one.diastolic),
                "" if one.pulse is None else exact_text(one.pulse),
                one.reading_id,
                f"{fate}; {marks}" if marks and one.reading_id in used else fate,
            )


def spoken(found: Average, emergency: str, office: Office | None = None) -> Iterator[str]:
    """The same for the person measured, in easy words, with the caution at the end."""
    if found.short_of:
        yield words.too_few(found.short_of, so_far=found.mean is not None)
    elif found.mean is not None and found.at_or_above is not None:
        mean = findings.mean_text(found.mean, found.threshold)
        yield words.against_threshold(mean, found.used, found.threshold, found.at_or_above, found.threshold_set_by)
    if found.usual:
        systolic, diastolic = found.usual
        yield words.usual_values((systolic.low, systolic.high), (diastolic.low, diastolic.high))
    if found.standing:
        yield words.usual_against(found.threshold, found.standing.chance, found.standing.call)
        if found.standing.call is Call.TOO_CLOSE:
            yield words.settling(found.standing.further)
    if office and office.by_means:
        yield words.OFFICE[office.called] if office.called else words.OFFICE_UNKNOWN
    yield from filter(
        None,
        (
            words.irregular(found.irregular),
            words.IMPLAUSIBLE if found.implausible else "",
            words.HAND_WRITTEN if found.hand_written else "",
        ),
    )
    yield words.caution(emergency)


def moment(at: datetime) -> str:
    return at.isoformat(" ", "minutes")


def _wrapped(text: str, width: int | None) -> list[str]:
    return [text] if width is None else wrapped(text, width)
