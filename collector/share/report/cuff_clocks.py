"""How good a cuff's clock was, in a line for the page: what its readings' times rest on, and how far it was off."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from statistics import median

from collector.share.samples import has_certain_time
from collector.share.text.layout import span_words
from collector.store.values import Basis, Reading

SHOWN_FROM_S = 60.0
"""A clock that is off by less is not worth a word."""

_WORDS = {
    Basis.CORRECTED: "clock read and put right",
    Basis.ESTIMATED: "clock estimated from live readings",
    Basis.CUFF: "by its clock alone, never compared",
    Basis.ARRIVAL: "time of arrival",
    Basis.HAND: "written down by hand",
}


def clock_line(readings: Sequence[Reading]) -> str:
    """Of one cuff's readings. Empty for none."""
    return "; ".join(_parts(readings))


def _parts(readings: Sequence[Reading]) -> Iterator[str]:
    counts = Counter(reading.taken_basis for reading in readings)
    for basis in Basis:
        if count := counts[basis]:
            yield _WORDS[basis] + (f" ({count} of {len(readings)})" if count < len(readings) else "")
    offs = [off for reading in readings if (off := ahead_s(reading)) is not None]
    if offs and abs(usual := median(offs)) >= SHOWN_FROM_S:
        yield f"it was {span_words(abs(usual))} {'fast' if usual > 0 else 'slow'}"
    if doubtful := sum(not has_certain_time(reading) for reading in readings):
        yield f"{doubtful} not certain"
    worst = max((reading.taken_uncertainty_s or 0 for reading in readings), default=0)
    if worst >= SHOWN_FROM_S:
        yield f"within {span_words(worst)}"


def ahead_s(reading: Reading) -> float | None:
    """Seconds that the cuff's clock was ahead when the reading was taken; None where nobody knows."""
    shown = reading.clock_shown
    if reading.taken_basis not in (Basis.CORRECTED, Basis.ESTIMATED) or shown is None:
        return None
    return (shown - reading.taken_at.replace(tzinfo=None)).total_seconds()


def by_cuff(readings: Iterable[Reading]) -> dict[str, list[Reading]]:
    """Of each cuff, the busiest first."""
    found: dict[str, list[Reading]] = {}
    for reading in readings:
        found.setdefault(reading.cuff, []).append(reading)
    return dict(sorted(found.items(), key=lambda pair: (-len(pair[1]), pair[0])))
