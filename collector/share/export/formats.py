"""The formats that readings are exported in, by name. Each writer is imported when it is asked for."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from collector.share.export.context import ExportContext
from collector.store.values import Reading

Writer = Callable[[Iterable[Reading], Any, ExportContext], int]


@dataclass(frozen=True, slots=True)
class ExportFormat:
    """writer: 'module:function'; alone: it takes no surroundings. binary: it writes octets."""

    name: str
    about: str
    writer: str
    alone: bool = False
    binary: bool = False

    def load(self) -> Writer:
        """`write(readings, file, context)`; it streams, and returns how many readings it wrote."""
        module, _, function = self.writer.partition(":")
        write = getattr(import_module(module), function)
        return (lambda readings, file, context: write(readings, file)) if self.alone else write


FORMATS = {
    one.name: one
    for one in (
        ExportFormat("csv", "a spreadsheet's rows", "collector.share.export.rows:write_csv", alone=True),
        ExportFormat("ndjson", "one JSON object a line", "collector.share.export.rows:write_ndjson", alone=True),
        ExportFormat("fhir", "a FHIR R4 collection Bundle", "collector.share.export.fhir.bundle:write_collection"),
        ExportFormat(
            "fhir-transaction",
            "a FHIR R4 Bundle for a server; sent twice it makes nothing twice",
            "collector.share.export.fhir.bundle:write_transaction",
        ),
        ExportFormat("fhir-bulk", "FHIR R4 resources, one a line", "collector.share.export.fhir.bundle:write_bulk"),
        ExportFormat("omh", "Open mHealth data points, one a line", "collector.share.export.omh:write_omh"),
        ExportFormat(
            "parquet", "a Parquet file (extra 'parquet')", "collector.share.export.parquet:write_parquet", binary=True
        ),
    )
}
