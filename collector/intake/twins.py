"""Hand-written readings of two people in one minute: the number that tells the one from the other."""

import json
from dataclasses import replace
from itertools import chain

from collector.intake.sources import own_export
from collector.intake.sources.hand_log import HAND_CHARACTERISTIC, PEOPLE_AT_MOST, HandRow, correction_twin
from collector.intake.take_log import read_line
from collector.store.merge.hand_twins import Numbered
from collector.store.values import Reading
from parsers.errors import ParseError


def retold(characteristic: int, value: bytes, number: int | None) -> Numbered | None:
    """As `hand_twins.Retold`."""
    try:
        if characteristic == HAND_CHARACTERISTIC:
            row = HandRow.parse(value)
            row = row if number is None else row._replace(twin=number)
            return Numbered(row.twin, read_line(row)[0], row.build())
        if characteristic == own_export.IMPORTED_CHARACTERISTIC:
            reading = own_export.parse(value)[0]
            if number is None:
                return Numbered(number_of(reading), reading.reading_id, value)
            reading_id = numbered(reading, number).reading_id
            said = json.loads(value) | {"reading_id": reading_id}
            return Numbered(number, reading_id, json.dumps(said, sort_keys=True).encode())
    except ParseError:
        pass
    return None


def number_of(reading: Reading) -> int:
    """Of a hand-written reading; 0 where its id says none."""
    beyond = correction_twin(reading.note, reading.pulse)
    numbers = chain(range(PEOPLE_AT_MOST), range(beyond, beyond + PEOPLE_AT_MOST))
    return next((number for number in numbers if numbered(reading, number).reading_id == reading.reading_id), 0)


def numbered(reading: Reading, number: int) -> Reading:
    """A hand-written reading with this number."""
    row = HandRow(reading.taken_at, reading.systolic, reading.diastolic, twin=number)
    return replace(reading, reading_id=read_line(row)[0])
