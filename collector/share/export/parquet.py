"""Readings as a Parquet file, for notebooks and databases. Needs the extra `parquet` (pyarrow).

Columns, stable across versions; new ones are added at the end:

| column | type | what |
|---|---|---|
| reading_id, cuff, person, unit, taken_basis, stamp, payload, note | string | as in CSV and NDJSON |
| slot, sightings, status_raw | int32 | slot 255 is 'unknown user', null none sent |
| systolic, diastolic, mean | string | as sent, in `unit`, with the digits that were sent |
| pulse | string | beats per minute, as sent |
| systolic_mmhg, diastolic_mmhg, mean_mmhg | float64 | the same to compute with, always mmHg |
| pulse_bpm | float64 | the same to compute with |
| taken_at, received_at | timestamp[us, UTC] | instants |
| taken_local | timestamp[us] | wall time where it was taken |
| taken_offset_min | int32 | what that wall time is ahead of UTC |
| taken_uncertainty_s | float64 | null: cannot be told |
| status, assessed, marks | list<string> | words |
| features_known | bool | |
"""

from collections.abc import Iterable, Iterator
from importlib import import_module
from itertools import islice
from typing import Any, BinaryIO

from collector.share.export.context import ExchangeError, ExportContext, mmhg
from collector.store.values import Reading

ROWS_AT_ONCE = 20_000


def write_parquet(readings: Iterable[Reading], file: BinaryIO, context: ExportContext) -> int:
    """One row a reading, in row groups of ROWS_AT_ONCE; returns how many. Raises ExchangeError without pyarrow."""
    try:
        arrow: Any = import_module("pyarrow")
        parquet: Any = import_module("pyarrow.parquet")
    except ImportError:
        raise ExchangeError("Parquet needs the extra 'parquet': pip install 'quietcuff[parquet]'") from None
    schema = _schema(arrow)
    count = 0
    with parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        for batch in _batches(readings):
            columns = zip(*map(_row, batch), strict=True)
            arrays = [arrow.array(column, field.type) for column, field in zip(columns, schema, strict=True)]
            writer.write_table(arrow.table(arrays, schema=schema))
            count += len(batch)
    return count


def _schema(arrow: Any) -> Any:
    text, whole, real = arrow.string(), arrow.int32(), arrow.float64()
    instant, words = arrow.timestamp("us", tz="UTC"), arrow.list_(arrow.string())
    return arrow.schema(
        [
            ("reading_id", text),
            ("cuff", text),
            ("slot", whole),
            ("person", text),
            ("systolic", text),
            ("diastolic", text),
            ("mean", text),
            ("unit", text),
            ("pulse", text),
            ("systolic_mmhg", real),
            ("diastolic_mmhg", real),
            ("mean_mmhg", real),
            ("pulse_bpm", real),
            ("taken_at", instant),
            ("taken_local", arrow.timestamp("us")),
            ("taken_offset_min", whole),
            ("taken_basis", text),
            ("taken_uncertainty_s", real),
            ("received_at", instant),
            ("status", words),
            ("status_raw", whole),
            ("features_known", arrow.bool_()),
            ("assessed", words),
            ("stamp", text),
            ("marks", words),
            ("sightings", whole),
            ("payload", text),
            ("note", text),
        ],
        metadata={"source": "quietcuff", "layout": "1"},
    )


def _row(one: Reading) -> tuple[Any, ...]:
    pressures = (one.systolic, one.diastolic, one.mean)
    offset = one.taken_at.utcoffset()
    assert offset is not None, "a reading's time has its zone"
    return (
        one.reading_id,
        one.cuff,
        one.slot,
        one.person,
        *(None if value is None else format(value, "f") for value in pressures),
        one.unit,
        None if one.pulse is None else format(one.pulse, "f"),
        *(None if value is None else float(mmhg(value, one.unit)) for value in pressures),
        None if one.pulse is None else float(one.pulse),
        one.taken_at,
        one.taken_at.replace(tzinfo=None),
        round(offset.total_seconds() / 60),
        one.taken_basis.value,
        one.taken_uncertainty_s,
        one.received_at,
        list(one.status),
        one.status_raw,
        one.features_known,
        list(one.assessed),
        one.stamp,
        list(one.marks),
        one.sightings,
        one.payload,
        one.note,
    )


def _batches(readings: Iterable[Reading]) -> Iterator[list[Reading]]:
    source = iter(readings)
    while batch := list(islice(source, ROWS_AT_ONCE)):
        yield batch
