"""Readings as people like to see them: a table where the terminal is wide enough, else a few lines each."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice

from collector.share.text.layout import GAP, aligned, cells, span_words, visible, wrapped
from collector.share.text.reading_text import NO_VALUE, pressures_text
from collector.store.values import Basis, Reading

LEAST_FOR_REMARKS = 18
BLOCK = 500  # rows laid out together: a long list streams

HEADING = ("taken", "pressure", "pulse", "person", "cuff", "id", "remarks")
RIGHT = frozenset({1, 2})
ID_SHOWN = 6  # digits of a reading's id: of ten thousand readings one pair in six shares them, and that is told

_BASIS = {
    Basis.CORRECTED: "",
    Basis.ESTIMATED: "time estimated",
    Basis.CUFF: "time by the cuff alone",
    Basis.ARRIVAL: "time of arrival",
    Basis.HAND: "hand-written",
}


@dataclass(frozen=True, slots=True)
class View:
    """How readings are shown. width: columns of the terminal, None where nothing is to be wrapped."""

    width: int | None = None
    cuff_names: Mapping[str, str] | None = None
    very_high: Callable[[Reading], bool] = lambda reading: False


def lines(readings: Iterable[Reading], view: View) -> Iterator[str]:
    """The readings, one after the other, as lines."""
    rest = iter(readings)
    widths: list[int] | None = None
    while block := [_cells(reading, view) for reading in islice(rest, BLOCK)]:
        table = [HEADING, *block] if widths is None else block
        own = [max(map(cells, column)) for column in zip(*table, strict=True)]
        widths = own if widths is None else [max(pair) for pair in zip(widths, own, strict=True)]
        least = sum(widths[:-1]) + len(GAP) * 6 + min(widths[-1], LEAST_FOR_REMARKS)
        if view.width is not None and least > view.width:
            yield from (line for row in block for line in _stacked(row, view.width))
        else:
            yield from aligned(table, widths, view.width, RIGHT)


def _cells(reading: Reading, view: View) -> tuple[str, ...]:
    names = view.cuff_names or {}
    return (
        reading.taken_at.isoformat(" ", "minutes"),
        pressure(reading),
        "" if reading.pulse is None else f"{reading.pulse:f}/min",
        whose(reading),
        visible(names.get(reading.cuff) or reading.cuff),
        reading.reading_id[:ID_SHOWN],
        remarks(reading, view.very_high(reading)),
    )


def _stacked(row: tuple[str, ...], width: int) -> Iterator[str]:
    taken, pressed, pulse, person, cuff, identity, notes = row
    yield taken
    measured = f"{pressed}, pulse {pulse}" if pulse else pressed
    for text in (measured, f"{person}, {cuff}, {identity}", notes):
        yield from (f"  {line}" for line in wrapped(text, max(8, width - 2)))


def pressure(reading: Reading) -> str:
    """Systolic over diastolic with the unit as sent, or words where the cuff obtained neither."""
    text = pressures_text(reading.systolic, reading.diastolic, None)
    if text == NO_VALUE:
        return text
    systolic, diastolic = text.split("/")
    return f"{systolic}/{diastolic.ljust(3)} {reading.unit}"


def whose(reading: Reading) -> str:
    """The person, else in brackets what is known: the cuff's slot."""
    if reading.person is not None:
        return visible(reading.person)
    return "(nobody)" if reading.slot is None else f"(slot {reading.slot})"


def remarks(reading: Reading, very_high: bool = False) -> str:
    """Everything a reader should know of the reading, in words."""
    words = ["VERY HIGH"] if very_high else []
    words += [*reading.status, *reading.marks]
    if basis := _BASIS[reading.taken_basis]:
        words.append(basis)
    if reading.taken_uncertainty_s is not None and reading.taken_uncertainty_s >= 60:
        words.append(f"time within {span_words(reading.taken_uncertainty_s)}")
    if reading.note:
        words.append(f"note: {reading.note}")
    return visible("; ".join(words).replace("\n", " "))
