"""PostgreSQL as receiver: tables for many stations, one a month. Needs the extra `postgresql` (psycopg).

Each station writes what it says of a reading, and no other's; the view `quietcuff.reading` shows each reading once, by
the station that is surest of its time. Stations never wait for each other: they touch no row in common.
"""

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from importlib import import_module
from typing import Any, Self
from urllib.parse import urlsplit

from collector.share.export.column_forms import DERIVED, FORMS
from collector.share.export.context import ExchangeError, ExportContext
from collector.share.private_file import secret
from collector.share.relay.postgresql_schema import COLUMNS, ENTER, MERGE, PERSON_UID, SCHEMA, TAKE_BACK, VERSION, ZONE
from collector.share.relay.receiver import Receiver
from collector.share.relay.target import Batch, RefusedByReceiver, Unreachable
from collector.store.columns import Column, Kind
from collector.store.merge.people_entries import Entry
from collector.store.values import Reading

_AHEAD = 3
"""Months that are made before they come, so that the first of one finds its table."""


class Database:
    """An open connection, the tables made where they are missing and this role may make them."""

    def __init__(self, receiver: Receiver, context: ExportContext) -> None:
        self._psycopg = psycopg()
        self._receiver, self._station = receiver, context.station
        self._months: set[date] = set()
        with self._in_one_line():
            self._connection = self._psycopg.connect(**how_to_connect(receiver), autocommit=True)
            try:
                self._tables()
                self._make_months(datetime.now(UTC).date(), _AHEAD)
            except BaseException:
                self._connection.close()
                raise

    def deliver(self, batch: Batch) -> None:
        with self._in_one_line():
            for month in sorted({one.taken_at.astimezone(UTC).date().replace(day=1) for one in batch.readings}):
                self._make_months(month, 1)
            with self._connection.transaction(), self._connection.cursor() as cursor:
                # A reading whose time has changed leaves its old place, which may be in another month's table; a
                # station restored from a backup does not know that it has.
                cursor.execute(TAKE_BACK, (self._station, [*batch.gone, *(one.reading_id for one in batch.readings)]))
                if batch.readings:
                    cursor.executemany(MERGE, _rows(batch, self._station))

    def keep(self, entries: Sequence[Entry]) -> None:
        told = [
            {"kind": one.kind, "key": one.key, "place": place, "person_uid": one.person, "said": _cleaned(one.said)}
            for place, one in enumerate(entries)
        ]
        with self._in_one_line():
            self._connection.execute(ENTER, {"told": json.dumps(told), "station": self._station})

    def _tables(self) -> None:
        """Raises Unreachable where they are missing and not for us to make, or of another version."""
        if self._connection.execute("SELECT to_regclass('quietcuff.version')").fetchone()[0] is None:
            try:
                with self._connection.transaction():
                    self._connection.execute(
                        "SELECT pg_advisory_xact_lock(1903388006)"
                    )  # two stations may be the first
                    self._connection.execute(SCHEMA)
            except self._psycopg.errors.InsufficientPrivilege:
                raise Unreachable(
                    f"{self._receiver.host}: the tables are missing; have the database's owner run "
                    "`quietcuff relay schema | psql`"
                ) from None
        (there,) = self._connection.execute("SELECT max(version) FROM quietcuff.version").fetchone()
        if there != VERSION:
            which = "an older" if there is None or there < VERSION else "a newer"
            remedy = "have its owner run `quietcuff relay schema | psql`" if which == "an older" else "update quietcuff"
            raise Unreachable(f"{self._receiver.host}: its tables are those of {which} quietcuff; {remedy}")

    def _make_months(self, first: date, count: int) -> None:
        month = first.replace(day=1)
        if month not in self._months:
            self._connection.execute("SELECT quietcuff.make_months(%s, %s)", (month, count))
            self._months.add(month)

    @contextmanager
    def _in_one_line(self) -> Iterator[None]:
        """Turns psycopg's errors into ours."""
        errors = self._psycopg.errors
        try:
            yield
        except errors.Error as error:
            text = f"{self._receiver.host}: {' '.join(str(error).split())}"[:300]
            if isinstance(error, errors.DataError | errors.IntegrityError):
                raise RefusedByReceiver(text) from None
            raise Unreachable(text) from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()


def psycopg() -> Any:
    """Raises ExchangeError without the extra."""
    try:
        return import_module("psycopg")
    except ImportError:
        raise ExchangeError("PostgreSQL needs the extra 'postgresql': pip install 'quietcuff[postgresql]'") from None


def how_to_connect(receiver: Receiver) -> dict[str, Any]:
    """psycopg's connection parameters; the password never stands on a command line or in an address."""
    parts = urlsplit(receiver.url)
    how: dict[str, Any] = {
        "host": receiver.host,
        "port": parts.port or 5432,
        "dbname": parts.path.strip("/") or "quietcuff",
        "user": receiver.user or parts.username or "quietcuff",
        "application_name": "quietcuff",
        "connect_timeout": max(2, round(receiver.timeout_s)),
        "options": "-c statement_timeout=600000",
    }
    if receiver.password_file:
        how["password"] = secret(receiver.password_file)
    if not receiver.loopback:
        how |= {"sslmode": "verify-full", "sslrootcert": str(receiver.ca_file) if receiver.ca_file else "system"}
    return how


def _rows(batch: Batch, station: str) -> Iterator[list[Any]]:
    for one in batch.readings:
        cells = [None if (value := get(one)) is None else write(value) for get, write in _CELLS]
        cells[_WHOSE] = batch.whose.get(one.person or "")
        yield [station, *cells]


def _zone(reading: Reading) -> str:
    return getattr(reading.taken_at.tzinfo, "key", "UTC")


def _cell(column: Column) -> tuple[Callable[[Reading], Any], Callable[[Any], Any]]:
    derived = _MADE_HERE.get(column) or DERIVED.get(column)
    get = derived or (lambda reading: getattr(reading, column.name))
    return get, _clean if column.kind is Kind.TEXT else FORMS[column.kind].plain


def _clean(text: str) -> str:
    """PostgreSQL's text holds no NUL and no half of a surrogate pair (its manual, character types)."""
    return re.sub("[\0\ud800-\udfff]", "\N{REPLACEMENT CHARACTER}", str(text))


def _cleaned(said: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _clean(value) if isinstance(value, str) else value for name, value in said.items()}


_MADE_HERE: Mapping[Column, Callable[[Reading], Any]] = {ZONE: _zone, PERSON_UID: lambda reading: None}
_CELLS = [_cell(column) for column in COLUMNS]
_WHOSE = COLUMNS.index(PERSON_UID)
