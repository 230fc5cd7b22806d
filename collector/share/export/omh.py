"""Readings as Open mHealth data points: blood-pressure 4.0, and heart-rate 3.0 as points of their own.

Source: openmhealth/schemas (Apache-2.0), omh/blood-pressure-4.0, omh/heart-rate-3.0 (schema/omh/heart-rate-3.0.json,
there since commit 203f2032), omh/header-1.2 and omh/data-point-1.0, with the time frame of IEEE 1752.1. The schema
knows mmHg only and needs both pressures, so an attempt that gave none has no blood pressure point. It has no place for
mean pressure, status or slot, nor for what makes a reading count no longer: one that was struck out, corrected or is
there once already gives no point.
"""

from collections.abc import Iterable, Iterator
from functools import lru_cache
from typing import TextIO

from collector.share.export.context import HAND, ExportContext, mmhg
from collector.share.export.fhir.narrative import number, quoted, uuid_of
from collector.store.values import TAKEN_BACK, Reading


def points(reading: Reading, context: ExportContext) -> Iterator[str]:
    """The reading's data points, each one line of JSON."""
    if TAKEN_BACK.intersection(reading.marks):
        return
    taken = reading.taken_at.isoformat()
    created = reading.received_at.isoformat()
    frame = f'"effective_time_frame":{{"date_time":"{taken}"}}'
    source = _source(reading.cuff, context)
    user = _user(reading.person, context)
    before = f'"source_creation_date_time":"{taken}",{source}}}{user}}},"body":{{'
    after = f",{frame}}}}}"
    if reading.systolic is not None and reading.diastolic is not None:
        body = (
            f'"systolic_blood_pressure":{{"value":{number(mmhg(reading.systolic, reading.unit))},"unit":"mmHg"}},'
            f'"diastolic_blood_pressure":{{"value":{number(mmhg(reading.diastolic, reading.unit))},"unit":"mmHg"}}'
        )
        yield _header(reading.reading_id, "blood-pressure", "4.0", created) + before + body + after
    if reading.pulse is not None:
        body = f'"heart_rate":{{"value":{number(reading.pulse)},"unit":"beats/min"}}'
        yield _header(reading.reading_id + ".pulse", "heart-rate", "3.0", created) + before + body + after


def write_omh(readings: Iterable[Reading], file: TextIO, context: ExportContext) -> int:
    """One data point a line; returns how many readings gave at least one."""
    count = 0
    for reading in readings:
        lines = [point + "\n" for point in points(reading, context)]
        file.write("".join(lines))
        count += bool(lines)
    return count


def _header(name: str, schema: str, version: str, created: str) -> str:
    """name: what the reading is recognised by; at the receiver it shows a point that was sent before."""
    return (
        f'{{"header":{{"id":"{uuid_of("omh " + name)}","creation_date_time":"{created}","schema_id":'
        f'{{"namespace":"omh","name":"{schema}","version":"{version}"}},"acquisition_provenance":'
        f'{{"source_data_point_id":{quoted(name)},'
    )


def _source(cuff: str, context: ExportContext) -> str:
    if cuff == HAND:
        return '"source_name":"hand-written log","modality":"self-reported"'
    facts = context.cuffs.get(cuff)
    told = " ".join(filter(None, (facts.manufacturer, facts.model))) if facts else ""
    return f'"source_name":{quoted(told or "blood pressure cuff " + cuff)},"modality":"sensed"'


def _user(person: str | None, context: ExportContext) -> str:
    if person is None:
        return ""
    subject = context.subjects.get(person)
    return _user_part(subject.value if subject else person)


@lru_cache(maxsize=256)
def _user_part(value: str) -> str:
    return f',"user_id":{quoted(value)}'
