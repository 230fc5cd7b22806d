"""Readings as a Parquet file, for notebooks and databases. Needs the extra `parquet` (pyarrow).

The columns are those of `collector.share.export.column_forms`: a reading's own (decimals as text, with the digits that
were sent), then the derived ones to compute with.
"""

from collections.abc import Iterable
from datetime import UTC
from importlib import import_module
from typing import Any, BinaryIO

from collector.share.export.column_forms import DERIVED, FORMS, READING, number, values_of
from collector.share.export.context import ExchangeError, ExportContext
from collector.share.export.rows import batches
from collector.store.columns import Kind
from collector.store.values import Reading

ROWS_AT_ONCE = 20_000
COLUMNS = (*READING, *DERIVED)


def write_parquet(readings: Iterable[Reading], file: BinaryIO, context: ExportContext) -> int:
    """One row a reading, in row groups of ROWS_AT_ONCE; returns how many. Raises ExchangeError without pyarrow."""
    try:
        arrow: Any = import_module("pyarrow")
        parquet: Any = import_module("pyarrow.parquet")
    except ImportError:
        raise ExchangeError("Parquet needs the extra 'parquet': pip install 'quietcuff[parquet]'") from None
    schema = arrow.schema(
        [(one.name, _type(arrow, FORMS[one.kind].arrow)) for one in COLUMNS],
        metadata={"source": "quietcuff", "layout": "2"},
    )
    count = 0
    with parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        for batch in batches(readings, ROWS_AT_ONCE):
            columns = zip(*map(_row, batch), strict=True)
            arrays = [arrow.array(column, field.type) for column, field in zip(columns, schema, strict=True)]
            writer.write_table(arrow.table(arrays, schema=schema))
            count += len(batch)
    return count


def _type(arrow: Any, name: str) -> Any:
    match name:
        case "list<string>":
            return arrow.list_(arrow.string())
        case "timestamp[us, UTC]":
            return arrow.timestamp("us", tz="UTC")
        case "timestamp[us]":
            return arrow.timestamp("us")
    return getattr(arrow, name)()


def _row(reading: Reading) -> list[Any]:
    own = [
        None if value is None else _PLAIN[one.kind](value)
        for one, value in zip(READING, values_of(reading), strict=True)
    ]
    return own + [value(reading) for value in DERIVED.values()]


_PLAIN = {kind: form.plain for kind, form in FORMS.items()} | {
    Kind.DECIMAL: number,
    Kind.INSTANT: lambda value: value.astimezone(UTC),
}
