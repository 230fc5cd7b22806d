"""A change of regimen in words: one source for the screen and for the page."""

from collections.abc import Iterator

from collector.numbers import words
from collector.numbers.change import Change, Difference
from collector.numbers.values import Said, rounded_text
from collector.share.text.findings import signed

HEADING = ("mmHg", "before", "after", "difference", "95 % interval")


def difference_rows(found: Change, sessions: bool = False) -> Iterator[tuple[str, ...]]:
    """As in HEADING. sessions: mornings and evenings too."""
    parts = [("", found.overall)]
    parts += [("morning ", found.morning), ("evening ", found.evening)] if sessions else []
    for name, compared in parts:
        if compared:
            yield _row(f"{name}systolic", compared.systolic)
            yield _row(f"{name}diastolic", compared.diastolic)


def _row(name: str, one: Difference) -> tuple[str, ...]:
    interval = f"{signed(one.low)} to {signed(one.high)}"
    return name, rounded_text(one.before), rounded_text(one.after), signed(one.difference), interval


def change_words(found: Change) -> Iterator[str]:
    """What can be said of the difference, then the cautions."""
    if found.overall is None:
        needed = (f"{where}: {', '.join(needs)}" for where, needs in found.needed)
        yield f"Not enough to compare. Still needed, {'; '.join(needed)}."
        return
    for which, one in (("top", found.overall.systolic), ("lower", found.overall.diastolic)):
        yield words.difference(which, one.difference, one.said)
        if one.falls_by_itself is not None and one.difference < 0 and one.said is not Said.UNKNOWN:
            yield words.falls_by_itself(one.difference, one.falls_by_itself)
    yield from found.cautions
