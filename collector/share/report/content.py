"""What the report says, as text: one place for the words of the page and of the PDF."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice

from collector.numbers import words
from collector.numbers.average import Average
from collector.numbers.change import Change
from collector.numbers.levels import office_of
from collector.numbers.rules import Protocol
from collector.numbers.values import rounded_text
from collector.share.report.data import ReportData
from collector.share.report.days import made, span, written
from collector.share.report.grid import column_unit
from collector.share.text import change_text, findings
from collector.share.text.findings import Labelled
from collector.share.text.layout import visible
from collector.share.text.reading_text import NO_VALUE, pressures_text

FEW_READINGS = 8
MOST_NOTES, MOST_CUFFS = 8, 4


@dataclass(frozen=True, slots=True)
class Section:
    """rows: label and value. table: a heading and its lines. A title without anything under it is not shown."""

    title: str
    rows: tuple[Labelled, ...] = ()
    paragraphs: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()

    def __bool__(self) -> bool:
        return bool(self.rows or self.paragraphs or self.table)


@dataclass(frozen=True, slots=True)
class ReportText:
    """In the order of reading: verdict, number, how sure, plot, what was done about it."""

    title: str
    who: str
    period: str
    made: str
    verdict: str
    short: bool  # too few readings: the number yields to the verdict
    alarm: str  # very high readings; empty for none
    numbers: tuple[tuple[str, str], ...]  # label, '138.4/86.1'; mmHg
    sure: tuple[str, ...]
    counts: str
    means: Section
    completeness: str
    left: tuple[Section, ...]  # columns under the plot
    right: tuple[Section, ...]
    caution: tuple[str, ...]
    rule: str


def content(data: ReportData, notes: int = MOST_NOTES, clip: int | None = None) -> ReportText:
    """All text of a report. notes: how many noted changes are listed, the newest ones. clip: so many characters of each
    remark and cuff; None: all."""
    data = _harmless(data, clip)
    average = data.average
    return ReportText(
        title="Home blood pressure",
        who=data.who,
        period=span(average.first, average.last),
        made=f"{made(data.made_at)}{_place(data)}",
        verdict=findings.verdict(average),
        short=not average.valid,
        alarm=_alarm(data),
        numbers=tuple(_numbers(average)),
        sure=(*findings.how_sure(average), *findings.further_verdicts(average)),
        counts=findings.counts(average),
        means=Section("Means", rows=tuple(_means(average))),
        completeness=_completeness(average),
        **_columns(data, notes),
        caution=(words.caution(data.emergency), f"{words.ONE_READING} {words.CHILDREN}"),
        rule=_rule(average),
    )


def _columns(data: ReportData, notes: int) -> dict[str, tuple[Section, ...]]:
    """The two columns under the plot, about alike in height: first what was done about it."""
    average = data.average
    change = Section("Change", table=_change_table(data.change), paragraphs=tuple(_change_words(data.change)))
    noted = Section("Noted changes", rows=tuple(_notes(data, notes)))
    office = Section("In the office", rows=tuple(findings.office_rows(data.office, average)))
    left_out = Section("Left out", rows=tuple(_left_out(average)))
    variation = Section("How it varies", rows=tuple(findings.variation(average)))
    mind = Section("To keep in mind", rows=tuple(_to_keep_in_mind(data)))
    cuffs = Section("Cuff and clock", rows=tuple(_cuffs(data)))
    few = Section("The readings", rows=tuple(_few_readings(data)))
    changed = bool(change or noted)
    left = (change, noted, few, office) if changed else (few, office, left_out, variation)
    right = (left_out, variation, mind, cuffs) if changed else (mind, cuffs)
    return {"left": tuple(filter(None, left)), "right": tuple(filter(None, right))}


def _alarm(data: ReportData) -> str:
    if not data.very_high:
        return ""
    highest = max(data.very_high, key=lambda one: one.systolic or 0)
    value = pressures_text(highest.systolic, highest.diastolic)
    return f"VERY HIGH: {findings.readings(len(data.very_high))}, the highest {value} mmHg on {made(highest.taken_at)}"


def _few_readings(data: ReportData) -> Iterator[Labelled]:
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
    so_far = "" if average.valid else " so far, of interest only"
    if average.protocol.averaging == "separate":
        for label, mean in (("Morning", average.morning), ("Evening", average.evening)):
            if mean:
                yield f"{label}{so_far}", findings.mean_text(mean, average.threshold)
    elif average.mean is not None:
        label = "Mean" if average.decides == "pooled" else "Mean of morning and evening"
        yield f"{label}{so_far}", findings.mean_text(average.mean, average.threshold)


def _means(average: Average) -> Iterator[Labelled]:
    for label, mean, decides in findings.mean_rows(average):
        count = f", {findings.readings(mean.readings)}" if label != "Mean of both" else ""
        text = f"{findings.mean_text(mean, average.threshold)} mmHg{count}"
        yield label + (" (decides)" if decides else ""), text
    if average.pulse is not None:
        yield "Pulse", f"{rounded_text(average.pulse, 0)} per minute"
    office = office_of(average.threshold)
    if office and office != average.threshold:
        yield "Threshold", f"{average.threshold} mmHg at home stands for {office} mmHg in the office"


def _completeness(average: Average) -> str:
    crossed = " A line across: left out by the rule." if any(row.left_out for row in average.grid) else ""
    unit = column_unit(average.grid)
    cells = [cell for row in average.grid for cell in (row.morning, row.evening)]
    whole = sum(cell.taken >= cell.wanted for cell in cells)
    return (
        f"Readings per sitting, a column a {unit}: {findings.readings(average.had)}, {whole} of {len(cells)} sittings "
        f"whole. The rule prefers {average.wanted} readings.{crossed}"
    )


def _change_table(found: Change | None) -> tuple[tuple[str, ...], ...]:
    if found is None or found.overall is None:
        return ()
    return (change_text.HEADING, *change_text.difference_rows(found))


def _change_words(found: Change | None) -> Iterator[str]:
    if found is None:
        return
    if found.overall is None:
        yield f"Change of {written(found.at)}. {' '.join(change_text.change_words(found))}"
        return
    before, after = found.before, found.after
    yield (
        f"Change of {written(found.at)}. Before: {span(before.first, before.last)}, "
        f"{findings.days(found.overall.days_before)}. After: {span(after.first, after.last)}, "
        f"{findings.days(found.overall.days_after)}; the first {findings.days(found.washout_days)} are left out."
    )
    yield " ".join(change_text.change_words(found))


def _notes(data: ReportData, most: int) -> Iterator[Labelled]:
    numbered = list(enumerate(data.notes, 1))
    if len(numbered) > most:
        yield "", f"{len(numbered) - most} earlier ones are not listed here"
    for number, note in numbered[-most:] if most else []:
        yield f"({number}) {written(note.day)}", note.text


def _left_out(average: Average) -> Iterator[Labelled]:
    yield from list(findings.left_out(average)) or [("Nothing", "every reading of the period counts")]


def _to_keep_in_mind(data: ReportData) -> Iterator[Labelled]:
    yield from findings.remarks(data.average, len(data.very_high), len(data.lows), data.low)
    if not data.average.irregular.readings:
        yield "Uneven pulse", "not marked by the cuff; that does not rule it out"
    yield from data.log_remarks
    yield "Getting ready", data.preparation or "not recorded"


def _cuffs(data: ReportData) -> Iterator[Labelled]:
    for cuff in islice(data.cuffs, MOST_CUFFS):
        yield cuff.name, cuff.clock
    if len(data.cuffs) > MOST_CUFFS:
        yield "", f"and {len(data.cuffs) - MOST_CUFFS} more"


def _rule(average: Average) -> str:
    rules = average.protocol
    unseen = f" {memory_text(rules)}" if rules.from_memory else ""
    return (
        f"Rule: {rules.title}, {rules.edition} ({rules.name}). Source: {rules.source}.{unseen} "
        f"How sure: {findings.SURE_BY} "
        "Hours of sessions, sittings and flagged readings: choices of this program."
    )


def memory_text(rules: Protocol) -> str:
    """What of a rule could not be read in its source, in plain words."""
    named = [FIGURES.get(name, name.replace("_", " ")) for name in sorted(rules.from_memory)]
    return f"Not read in the source, but from memory: {', '.join(named)}."


FIGURES = {
    "min_days": "the least number of days",
    "preferred_days": "the days wanted",
    "per_session": "readings a sitting",
    "gap_s": "the pause between readings",
    "drop_days": "the days left out",
    "target": "the goal",
    "target_for_age": "the goal in old age",
    "when": "the time of day",
    "averaging": "what is averaged",
    "threshold": "the threshold",
}
