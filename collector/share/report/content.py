"""What the report says, as text: one place for the words of the page and of the PDF."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice

from collector.numbers import words
from collector.numbers.average import Average
from collector.numbers.change import Change, Difference
from collector.numbers.levels import office_of
from collector.numbers.values import Mean, Pair, exact_text, rounded_text
from collector.share.report.data import ReportData
from collector.share.report.days import made, span, written
from collector.share.report.grid import column_unit
from collector.share.text.average_text import outstanding, pair, pressures
from collector.share.text.layout import visible
from collector.share.text.reading_text import NO_VALUE, pressures_text

Row = tuple[str, str]
FEW_READINGS = 8
MOST_REASONS, MOST_NOTES, MOST_CUFFS = 6, 8, 4


@dataclass(frozen=True, slots=True)
class Section:
    """rows: label and value. table: a heading and its lines. A title without anything under it is not shown."""

    title: str
    rows: tuple[Row, ...] = ()
    paragraphs: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()

    def __bool__(self) -> bool:
        return bool(self.rows or self.paragraphs or self.table)


@dataclass(frozen=True, slots=True)
class Content:
    title: str
    who: str
    period: str
    made: str
    numbers: tuple[tuple[str, str], ...]  # label, '138.4/86.1'; mmHg
    verdict: str
    standing: str  # valid or short of what
    short: bool
    trust: str
    means: Section
    completeness: str
    left: tuple[Section, ...]  # columns under the plot
    right: tuple[Section, ...]
    caution: tuple[str, ...]
    rule: str


def content(data: ReportData, notes: int = MOST_NOTES, clip: int | None = None) -> Content:
    """All text of a report. notes: how many noted changes are listed, the newest ones. clip: so many characters of each
    remark and cuff; None: all."""
    data = _harmless(data, clip)
    average = data.average
    return Content(
        title="Home blood pressure",
        who=data.who,
        period=span(average.first, average.last),
        made=f"{made(data.made_at)}{_place(data)}",
        numbers=tuple(_numbers(average)),
        verdict=_verdict(average),
        standing=_standing(average),
        short=not average.valid,
        trust=_trust(average),
        means=Section("Means", rows=tuple(_means(average))),
        completeness=_completeness(average),
        **_columns(data, notes),
        caution=(words.caution(data.emergency), f"{words.ONE_READING} {words.CHILDREN}"),
        rule=_rule(average),
    )


def _columns(data: ReportData, notes: int) -> dict[str, tuple[Section, ...]]:
    """The two columns under the plot, about alike in height."""
    changes = tuple(
        filter(
            None,
            (
                Section("Change", table=_change_table(data.change), paragraphs=tuple(_change_words(data.change))),
                Section("Noted changes", rows=tuple(_notes(data, notes))),
            ),
        )
    )
    left_out = Section("Left out", rows=tuple(_left_out(data.average)))
    variation = Section("How it varies", rows=tuple(_variation(data.average)))
    mind = Section("To keep in mind", rows=tuple(_worth_knowing(data)))
    cuffs = Section("Cuff and clock", rows=tuple(_cuffs(data)))
    few = Section("The readings", rows=tuple(_few_readings(data)))
    left, right = (
        ((few, *changes), (left_out, variation, mind, cuffs))
        if changes
        else ((few, left_out, variation), (mind, cuffs))
    )
    return {"left": tuple(filter(None, left)), "right": tuple(filter(None, right))}


def _few_readings(data: ReportData) -> Iterator[Row]:
    """Each reading with its value, where they are so few that their mean says little."""
    if len(data.samples) > FEW_READINGS:
        return
    reasons = dict(data.average.excluded)
    for one in sorted(data.samples, key=lambda sample: sample.taken_at.timestamp()):
        reason = reasons.get(one.reading_id)
        value = pressures_text(one.systolic, one.diastolic)
        yield made(one.taken_at), value + (" mmHg" if value != NO_VALUE else "") + (f", {reason}" if reason else "")


def _place(data: ReportData) -> str:
    return f"  ·  {data.place}" if data.place else ""


def _harmless(data: ReportData, clip: int | None) -> ReportData:
    """Free text on one line, without control characters, and not longer than asked. The name is never clipped."""

    def short(text: str) -> str:
        text = visible(text)
        return text if clip is None or len(text) <= clip else text[:clip].rstrip() + "…"

    return replace(
        data,
        who=visible(data.who),
        place=short(data.place),
        preparation=short(data.preparation),
        notes=tuple(replace(one, text=short(one.text)) for one in data.notes),
        cuffs=tuple(replace(one, name=short(one.name), clock=short(one.clock)) for one in data.cuffs),
    )


def _numbers(average: Average) -> Iterator[tuple[str, str]]:
    if average.protocol.averaging == "separate":
        for label, mean in (("Morning", average.morning), ("Evening", average.evening)):
            if mean:
                yield label, _of(mean, average)
    elif average.systolic is not None and average.diastolic is not None:
        label = "Mean" if average.decides == "pooled" else "Mean of morning and evening"
        yield label, pressures(average.systolic, average.diastolic, average.threshold)


def _of(mean: Mean, average: Average) -> str:
    return pressures(mean.systolic, mean.diastolic, average.threshold)


def _verdict(average: Average) -> str:
    whose = "plan" if average.threshold_set_by == "plan" else average.protocol.name
    if average.at_or_above is None:
        return "No reading counts: there is no mean."
    place = ("" if average.valid else "So far ") + ("at or above" if average.at_or_above else "below")
    which = ""
    if average.protocol.averaging == "separate" and average.at_or_above:
        which = f" ({average.decides})"
    return f"{place[0].upper()}{place[1:]} the threshold of {average.threshold} mmHg{which}, set by {whose}."


def _standing(average: Average) -> str:
    if average.valid:
        return f"Valid: {average.used} readings used of {average.taken} taken, on {_days(average.days)}."
    so_far = " The mean so far is only of interest." if average.used else ""
    return f"TOO FEW TO SAY. Still needed: {'; '.join(average.short_of)}.{so_far}"


def _trust(average: Average) -> str:
    if average.margin is None:
        return "Under 3 days: how far to trust the mean cannot be told." if average.used else ""
    return (
        f"Could be {_whole(average.margin.systolic)} mmHg either way systolic and "
        f"{_whole(average.margin.diastolic)} "
        f"diastolic (95 %, from the means of {_days(average.days_used)})."
    )


def _means(average: Average) -> Iterator[Row]:
    for label, mean in (
        ("All readings", average.pooled),
        ("Morning", average.morning),
        ("Evening", average.evening),
        ("Mean of both", average.of_sessions),
    ):
        if mean:
            count = f", {_readings(mean.readings)}" if label != "Mean of both" else ""
            yield label + _decides(label, average), f"{_of(mean, average)} mmHg{count}"
    if average.protocol.averaging != "pooled" or average.of_sessions:
        apart = average.morning_minus_evening
        if apart:
            yield "Morning less evening", f"{_signed(apart)} mmHg"
    if average.pulse is not None:
        yield "Pulse", f"{rounded_text(average.pulse, 0)} per minute"
    if average.goal and average.below_goal is not None:
        whose = "plan" if average.goal_set_by == "plan" else average.protocol.name
        yield "Goal", f"below {average.goal} mmHg ({whose}): {'met' if average.below_goal else 'not met'}"
    office = office_of(average.threshold)
    if office and office != average.threshold:
        yield "Threshold", f"{average.threshold} mmHg at home stands for {office} mmHg in the office"


def _decides(label: str, average: Average) -> str:
    mine = {
        "pooled": ("All readings",),
        "mean of morning and evening": ("Mean of both",),
        "morning": ("Morning",),
        "evening": ("Evening",),
        "morning and evening": ("Morning", "Evening"),
    }
    return " (decides)" if label in mine[average.decides] else ""


def _completeness(average: Average) -> str:
    crossed = " A line across: left out by the rule." if any(row.left_out for row in average.grid) else ""
    unit = column_unit(average.grid)
    cells = [cell for row in average.grid for cell in (row.morning, row.evening)]
    whole = sum(cell.taken >= cell.wanted for cell in cells)
    return (
        f"Readings per sitting, a column a {unit}: {_readings(average.had)}, {whole} of {len(cells)} sittings "
        f"whole. "
        f"The rule prefers {average.wanted} readings.{crossed}"
    )


def _change_table(found: Change | None) -> tuple[tuple[str, ...], ...]:
    if found is None or found.overall is None:
        return ()
    return (
        ("mmHg", "before", "after", "difference", "95 % interval"),
        _compared("systolic", found.overall.systolic),
        _compared("diastolic", found.overall.diastolic),
    )


def _compared(name: str, one: Difference) -> tuple[str, ...]:
    return (
        name,
        rounded_text(one.before),
        rounded_text(one.after),
        _sign(one.difference),
        f"{_sign(one.low_neighbours)} to {_sign(one.high_neighbours)}",
    )


def _change_words(found: Change | None) -> Iterator[str]:
    if found is None:
        return
    if found.overall is None:
        yield f"Change of {written(found.at)}: no comparison. Still needed: {'; '.join(found.refused)}."
        return
    before, after = found.before, found.after
    yield (
        f"Change of {written(found.at)}. Before: {span(before.first, before.last)}, "
        f"{_days(found.overall.days_before)}. "
        f"After: {span(after.first, after.last)}, {_days(found.overall.days_after)}; the first "
        f"{_days(found.washout_days)} are left out."
    )
    yield " ".join(line for line in found.noise_floor[2:])
    yield " ".join(found.cautions)


def _notes(data: ReportData, most: int) -> Iterator[Row]:
    numbered = list(enumerate(data.notes, 1))
    if len(numbered) > most:
        yield "", f"{len(numbered) - most} earlier ones are not listed here"
    for number, note in numbered[-most:] if most else []:
        yield f"({number}) {written(note.day)}", note.text


def _left_out(average: Average) -> Iterator[Row]:
    counts = Counter(reason for _, reason in average.excluded).most_common()
    for reason, count in counts[:MOST_REASONS]:
        yield _readings(count), reason
    if rest := sum(count for _, count in counts[MOST_REASONS:]):
        yield _readings(rest), "for other reasons"
    if not counts:
        yield "Nothing", "every reading of the period counts"


def _variation(average: Average) -> Iterator[Row]:
    spread = average.spread
    if spread.sd and spread.cv and spread.arv:
        yield (
            f"Of {spread.n} {spread.unit}",
            (f"SD {pair(spread.sd)} mmHg, CV {pair(spread.cv)} %, ARV {pair(spread.arv)} mmHg"),
        )
    if average.first_to_second:
        yield "First less second", f"{_signed(average.first_to_second)} mmHg within a sitting"
    if average.pulse_pressure is not None:
        yield "Pulse pressure", f"{rounded_text(average.pulse_pressure)} mmHg"
    if average.load.of:
        yield "High readings", f"{average.load.either} of {average.load.of} at or above the threshold"


def _worth_knowing(data: ReportData) -> Iterator[Row]:
    average = data.average
    high, low = outstanding(data.samples, average, data.low)
    if high:
        yield "VERY HIGH", f"{_readings(len(high))} of 180 or more over, or 120 or more under (mmHg)"
    if low:
        bound = f"below {exact_text(data.low.systolic)} over, or below {exact_text(data.low.diastolic)} under (mmHg)"
        yield "LOW", f"{_readings(len(low))} {bound}"
    irregular = average.irregular
    if irregular.readings:
        tell = " An ECG can tell more." if irregular.worth_telling else ""
        count = f"{irregular.readings} of {_readings(irregular.of)}, on {_days(irregular.days)}"
        yield "Uneven pulse", f"marked in {count}: less certain, diastolic most.{tell}"
    else:
        yield "Uneven pulse", "not marked by the cuff; that does not rule it out"
    if average.hand_written:
        yield "By hand", f"{_readings(average.hand_written)} written down by hand"
    if average.uncertain_times:
        yield "Time not certain", _readings(average.uncertain_times)
    if average.implausible:
        yield "Implausible", f"{_readings(len({name for name, _ in average.implausible}))}, kept and marked"
    if average.too_close:
        yield "Too close", f"{_readings(average.too_close)} under {average.protocol.gap_s} s after the one before"
    yield "Getting ready", data.preparation or "not recorded"


def _cuffs(data: ReportData) -> Iterator[Row]:
    for cuff in islice(data.cuffs, MOST_CUFFS):
        yield cuff.name, cuff.clock
    if len(data.cuffs) > MOST_CUFFS:
        yield "", f"and {len(data.cuffs) - MOST_CUFFS} more"


def _rule(average: Average) -> str:
    rules = average.protocol
    unseen = f" From memory: {', '.join(sorted(rules.from_memory)).replace('_', ' ')}." if rules.from_memory else ""
    return (
        f"Rule: {rules.name}, {rules.title}, {rules.edition}. Source: {rules.source}.{unseen} "
        "Hours of sessions, sittings and flagged readings: choices of this program."
    )


def _signed(both: Pair) -> str:
    return f"{_sign(both.systolic)}/{_sign(both.diastolic)}"


def _sign(value: float) -> str:
    text = rounded_text(value)
    return text if text.startswith("-") or text == "0.0" else f"+{text}"


def _whole(value: float) -> str:
    return rounded_text(max(1.0, value), 0)


def _days(count: int) -> str:
    return f"{count} day{'s' * (count != 1)}"


def _readings(count: int) -> str:
    return f"{count} reading{'s' * (count != 1)}"
