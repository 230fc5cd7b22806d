"""The formats that readings are exported in, by name. Each writer is imported when it is asked for."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from collector.share.export.context import ExportContext
from collector.store.database import Store
from collector.store.values import Reading, Selection


@dataclass(frozen=True, slots=True)
class Format:
    """writer: 'module:function'; alone: it takes no surroundings. binary: it writes octets.

    quick: 'module:function' that writes the same straight from a store, `write(store, selection, file, show)`.
    """

    name: str
    about: str
    writer: str
    alone: bool = False
    binary: bool = False
    quick: str = ""

    def load(self) -> Callable[[Iterable[Reading], Any, ExportContext], int]:
        """`write(readings, file, context)`; it streams, and returns how many readings it wrote."""
        write = _load(self.writer)
        return (lambda readings, file, context: write(readings, file)) if self.alone else write

    def load_quick(self) -> Callable[[Store, Selection, Any, Callable[[int], None]], int] | None:
        return _load(self.quick) if self.quick else None


def _load(name: str) -> Any:
    module, _, function = name.partition(":")
    return getattr(import_module(module), function)


FORMATS = {
    one.name: one
    for one in (
        Format(
            "csv",
            "a spreadsheet's rows",
            "collector.share.export.rows:write_csv",
            alone=True,
            quick="collector.share.export.quickrows:write_csv",
        ),
        Format(
            "ndjson",
            "one JSON object a line",
            "collector.share.export.rows:write_ndjson",
            alone=True,
            quick="collector.share.export.quickrows:write_ndjson",
        ),
        Format("fhir", "a FHIR R4 collection Bundle", "collector.share.export.fhir.bundle:write_collection"),
        Format(
            "fhir-transaction",
            "a FHIR R4 Bundle for a server; sent twice it makes nothing twice",
            "collector.share.export.fhir.bundle:write_transaction",
        ),
        Format("fhir-bulk", "FHIR R4 resources, one a line", "collector.share.export.fhir.bundle:write_bulk"),
        Format("omh", "Open mHealth data points, one a line", "collector.share.export.omh:write_omh"),
        Format(
            "parquet", "a Parquet file (extra 'parquet')", "collector.share.export.parquet:write_parquet", binary=True
        ),
    )
}
