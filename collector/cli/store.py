"""`quietcuff store …`: look into the file by SQL, for tinkerers."""

import csv
import re
import sys
from collections.abc import Iterator
from itertools import chain
from typing import Annotated, Any

import typer

from collector.cli.common.command import new_app, options_of, out
from collector.cli.common.output import out_json, out_table
from collector.cli.common.selection import reading_store
from collector.share.export.column_forms import cell_text
from collector.share.text.layout import visible
from collector.store import inspection

app = new_app("""Look into the store by SQL. Nothing here writes.

    Instants are microseconds since 1970 in UTC, pressures the decimal text that was sent. Tables may change from one
    version to the next (docs/CHANGELOG.md names it); the fields of `quietcuff export` do not.

    \b
    Examples:
      quietcuff store tables
      quietcuff store query "$(cat visits.sql)" --csv
    """)


@app.command("query")
def query(
    ctx: typer.Context,
    sql: Annotated[str, typer.Argument(metavar="SQL", help="One SELECT.")],
    as_csv: Annotated[
        bool, typer.Option("--csv", help="CSV with a head line, instead of one JSON object a row.")
    ] = False,
) -> None:
    """Show what a query finds, a JSON object a row.

    \b
    Example:
      quietcuff store query "$(cat visits.sql)" --csv
    """
    with reading_store(options_of(ctx)) as store:
        rows = inspection.query(store, sql)
        first = next(rows, None)
        if first is None:
            return
        found = chain([first], rows)
        if as_csv:
            _csv(list(first), found)
        else:
            for row in found:
                out_json({name: _shown(value) for name, value in row.items()})


@app.command("tables")
def tables(ctx: typer.Context) -> None:
    """List the tables, their rows and columns.

    \b
    Example:
      quietcuff store tables
    """
    with reading_store(options_of(ctx)) as store:
        rows = [(name, str(count), of_table) for name, count, of_table in inspection.tables(store)]
    out_table(rows, ("table", "rows", "columns"), frozenset({1}))


@app.command("schema")
def schema(ctx: typer.Context) -> None:
    """Print the SQL that made the store.

    \b
    Example:
      quietcuff store schema
    """
    with reading_store(options_of(ctx)) as store:
        out(inspection.schema(store))


def _csv(names: list[str], rows: Iterator[dict[str, Any]]) -> None:
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(map(cell_text, names))
    for row in rows:
        writer.writerow([_cell(value) for value in row.values()])


def _cell(value: Any) -> Any:
    """A pressure below zero is the text of a number, and no formula."""
    if isinstance(value, str) and not re.fullmatch(r"-?[0-9]+(\.[0-9]*)?", value):
        return cell_text(value)
    return _shown(value)


def _shown(value: Any) -> Any:
    """Octets as hex; text so that no terminal is moved by it."""
    return value.hex() if isinstance(value, bytes) else visible(value) if isinstance(value, str) else value
