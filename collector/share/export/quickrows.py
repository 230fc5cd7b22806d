"""CSV and NDJSON straight off the store's columns: the very text of `rows`, many times as fast.

A reading never becomes an object here. What repeats (people, cuffs, values, words, days, times of day) is put into
text once; a test holds every line to what `rows` writes.
"""

import csv
import io
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from decimal import Decimal
from functools import partial
from itertools import islice
from typing import Any, TextIO
from zoneinfo import ZoneInfo

from collector.share.export.rows import FIELDS, csv_cell, json_text
from collector.store import readings
from collector.store.database import Store
from collector.store.instants import EPOCH, SECOND
from collector.store.values import Selection

Progress = Callable[[int], None]
_DAYS_TO_1970 = date(1970, 1, 1).toordinal()
_QUARTER = 900 * SECOND
_REGULAR = 94_694_400 * SECOND  # from 1973 on all zones change on quarters of an hour of UTC (IANA tz database)
_AT_ONCE = 500


class _Made(dict[Any, str]):
    """Text for a value, made once."""

    def __init__(self, make: Callable[[Any], str]) -> None:
        super().__init__()
        self._make = make

    def __missing__(self, value: Any) -> str:
        made = self[value] = self._make(value)
        return made


def write_csv(store: Store, selection: Selection, file: TextIO, show: Progress | None = None) -> int:
    """As `rows.write_csv` of these readings; returns how many. show: told how many there are so far."""
    lines = _csv_lines(store, selection)
    first = list(islice(lines, _AT_ONCE))  # what is wrong with the choice shows before anything is written
    csv.writer(file, lineterminator="\n").writerow(FIELDS)
    return _write(first, lines, file, show)


def write_ndjson(store: Store, selection: Selection, file: TextIO, show: Progress | None = None) -> int:
    """As `rows.write_ndjson` of these readings; returns how many. show: told how many there are so far."""
    return _write([], _ndjson_lines(store, selection), file, show)


def _write(first: list[str], lines: Iterator[str], file: TextIO, show: Progress | None) -> int:
    count = 0
    while some := first or list(islice(lines, _AT_ONCE)):
        first = []
        file.write("".join(some))
        count += len(some)
        if show:
            show(count)
    return count


def _csv_lines(store: Store, selection: Selection) -> Iterator[str]:
    cuffs, people, units, bases, words, marked = (
        _Made(partial(_cell, name)) for name in ("cuff", "person", "unit", "taken_basis", "status", "marks")
    )
    numbers = _Made(lambda text: "" if text is None else _digits(text))
    sure = _Made(lambda value: "" if value is None else str(value))
    wall, day, clock = _Wall(), _Made(_day), _Made(_clock)
    for (
        reading_id,
        cuff,
        slot,
        person,
        systolic,
        diastolic,
        mean,
        unit,
        pulse,
        taken,
        basis,
        uncertainty,
        zone,
        received,
        status,
        _,
        assessed,
        stamp,
        marks1,
        marks2,
        marks3,
        sightings,
        payload,
        note,
    ) in readings.rows(store, selection):
        offset, suffix = wall(zone, taken)
        taken_day, taken_time = divmod((taken + offset) // SECOND, 86400)
        came_day, came_time = divmod(received // SECOND, 86400)
        known = ("false," if assessed is None else "true,") + str(sightings)
        yield (
            f"{reading_id},{cuffs[cuff]},{'' if slot is None else slot},{people[person]},{numbers[systolic]},"
            f"{numbers[diastolic]},{numbers[mean]},{units[unit]},{numbers[pulse]},"
            f"{day[taken_day]}{clock[taken_time]}{suffix},{bases[basis]},{sure[uncertainty]},"
            f"{day[came_day]}{clock[came_time]}+00:00,{words[_split(status)]},{known},{_hex(payload)},"
            f"{words[_split(assessed)]},{_cell('stamp', stamp) if stamp and stamp[0] == '-' else stamp or ''},"
            f"{marked[_marks(marks1, marks2, marks3)]},{'' if note is None else _cell('note', note)}\n"
        )


def _ndjson_lines(store: Store, selection: Selection) -> Iterator[str]:
    texts = _Made(json_text)
    words = _Made(lambda joined: json_text(_split(joined)))
    numbers = _Made(lambda text: "null" if text is None else _digits(text))
    wall, day, clock = _Wall(), _Made(_day), _Made(_clock)
    for (
        reading_id,
        cuff,
        slot,
        person,
        systolic,
        diastolic,
        mean,
        unit,
        pulse,
        taken,
        basis,
        uncertainty,
        zone,
        received,
        status,
        _,
        assessed,
        stamp,
        marks1,
        marks2,
        marks3,
        sightings,
        payload,
        note,
    ) in readings.rows(store, selection):
        offset, suffix = wall(zone, taken)
        taken_day, taken_time = divmod((taken + offset) // SECOND, 86400)
        came_day, came_time = divmod(received // SECOND, 86400)
        taken_part = f".{taken % SECOND:06}" if taken % SECOND else ""
        came_part = f".{received % SECOND:06}" if received % SECOND else ""
        marks = json_text(_marks(marks1, marks2, marks3)) if marks1 or marks2 or marks3 else "[]"
        known = "false" if assessed is None else "true"
        yield (
            f'{{"reading_id": "{reading_id}", "cuff": {texts[cuff]}, "slot": {"null" if slot is None else slot}, '
            f'"person": {texts[person]}, "systolic": {numbers[systolic]}, "diastolic": {numbers[diastolic]}, '
            f'"mean": {numbers[mean]}, "unit": {texts[unit]}, "pulse": {numbers[pulse]}, '
            f'"taken_at": "{day[taken_day]}{clock[taken_time]}{taken_part}{suffix}", "taken_basis": {texts[basis]}, '
            f'"taken_uncertainty_s": {texts[uncertainty]}, '
            f'"received_at": "{day[came_day]}{clock[came_time]}{came_part}+00:00", "status": {words[status]}, '
            f'"features_known": {known}, "sightings": {sightings}, "payload": "{_hex(payload)}", '
            f'"assessed": {words[assessed]}, "stamp": {"null" if stamp is None else json_text(stamp)}, '
            f'"marks": {marks}, "note": {"null" if note is None else json_text(note)}}}\n'
        )


class _Wall:
    """What is to be added to an instant for a zone's wall clock, and how it is written."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[int, int, int, str]] = {}

    def __call__(self, zone: str, at: int) -> tuple[int, str]:
        known = self._known.get(zone)
        if known is None or not known[0] <= at < known[1]:
            known = self._known[zone] = _same_offset(ZoneInfo(zone), at)
        return known[2], known[3]


def _same_offset(zone: ZoneInfo, at: int) -> tuple[int, int, int, str]:
    """(since, until, offset in microseconds, its text) around an instant, at most some weeks wide."""
    here = at // _QUARTER
    local = (EPOCH + timedelta(microseconds=at)).astimezone(zone)
    offset = local.utcoffset()
    assert offset is not None

    text = local.isoformat(timespec="seconds")[19:]
    if at < _REGULAR:
        return at, at + 1, offset // timedelta(microseconds=1), text

    def same(quarter: int) -> bool:
        return (EPOCH + timedelta(microseconds=quarter * _QUARTER)).astimezone(zone).utcoffset() == offset

    first, last = here, here + 1
    for step in (2048, 1024, 512, 256, 128, 64, 32, 16, 8, 4, 2, 1):
        if 1 < last + step < 280_000_000 and same(last + step - 1) and _all_same(same, last, step):
            last += step
    return first * _QUARTER, last * _QUARTER, offset // timedelta(microseconds=1), text


def _all_same(same: Callable[[int], bool], last: int, step: int) -> bool:
    """Looks in between as well: a zone may change and change back within some weeks."""
    return all(same(last + part) for part in range(0, step, 96))


def _day(number: int) -> str:
    return date.fromordinal(_DAYS_TO_1970 + number).isoformat() + "T"


def _clock(second: int) -> str:
    return f"{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}"


def _digits(text: str) -> str:
    return format(Decimal(text), "f") if "E" in text else text


def _hex(payload: bytes | str) -> str:
    return payload if isinstance(payload, str) else payload.hex()


def _split(joined: str | None) -> tuple[str, ...]:
    return tuple(joined.split(";")) if joined else ()


def _marks(*joined: str | None) -> tuple[str, ...]:
    return tuple(";".join(filter(None, joined)).split(";")) if any(joined) else ()


def _cell(name: str, value: object) -> str:
    """A cell as the csv module quotes it among others."""
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow([csv_cell(name, value), ""])
    return line.getvalue()[:-2]
