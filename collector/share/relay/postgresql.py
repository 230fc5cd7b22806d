"""PostgreSQL as receiver: one table for many stations, partitioned by month. Needs the extra `postgresql` (psycopg).

Each reading is there once, whichever station brought it, however often. Where two stations place it differently in
time, the version of the smaller uncertainty stays; a station's own later version replaces its earlier one.
"""

import re
from collections.abc import Iterable
from datetime import UTC, date, datetime
from importlib import import_module
from typing import Any, Self
from urllib.parse import urlsplit

from collector.share.export.context import ExchangeError, ExportContext, mmhg
from collector.share.private_file import secret
from collector.share.relay.settings import Receiver
from collector.share.relay.target import Batch, Refused, Unreachable
from collector.store.values import Reading

SCHEMA = """\
CREATE SCHEMA IF NOT EXISTS quietcuff;
CREATE TABLE IF NOT EXISTS quietcuff.reading_key (
    reading_id text PRIMARY KEY,           -- the same reading, the same id, at whatever station
    taken_at timestamptz NOT NULL);        -- which month's partition holds it
CREATE TABLE IF NOT EXISTS quietcuff.reading (
    reading_id text NOT NULL,
    station text NOT NULL,                 -- hex name of the station that told
    cuff text NOT NULL,                    -- Bluetooth address, or 'hand'
    slot smallint,                         -- the cuff's user; 255 is 'unknown user'
    person text,
    systolic numeric, diastolic numeric, mean numeric,     -- as sent, in `unit`, with the digits that were sent
    unit text NOT NULL,                    -- 'mmHg' or 'kPa'
    pulse numeric,                         -- beats per minute
    systolic_mmhg numeric, diastolic_mmhg numeric, mean_mmhg numeric,
    taken_at timestamptz NOT NULL,
    taken_local timestamp NOT NULL,        -- wall time where it was taken
    taken_basis text NOT NULL,             -- how taken_at was come by
    taken_uncertainty_s double precision,  -- NULL: cannot be told
    received_at timestamptz NOT NULL,      -- first arrival at the station
    status text[] NOT NULL,                -- what the cuff flagged
    features_known boolean NOT NULL, assessed text[] NOT NULL,   -- what it looks out for at all
    stamp text,                            -- the cuff's own stamp
    marks text[] NOT NULL,                 -- what quietcuff noticed
    payload text NOT NULL,                 -- hex, as it came
    note text,
    PRIMARY KEY (reading_id, taken_at)) PARTITION BY RANGE (taken_at);
CREATE INDEX IF NOT EXISTS reading_of_person ON quietcuff.reading (person, taken_at);
"""

COLUMNS = (
    "reading_id",
    "station",
    "cuff",
    "slot",
    "person",
    "systolic",
    "diastolic",
    "mean",
    "unit",
    "pulse",
    "systolic_mmhg",
    "diastolic_mmhg",
    "mean_mmhg",
    "taken_at",
    "taken_local",
    "taken_basis",
    "taken_uncertainty_s",
    "received_at",
    "status",
    "features_known",
    "assessed",
    "stamp",
    "marks",
    "payload",
    "note",
)
_NAMES = ", ".join(COLUMNS)
_LOCK = 0x71637566  # one schema change at a time, whoever makes it
_MAY_REPLACE = (
    "({old}.station = incoming.station OR coalesce(incoming.taken_uncertainty_s, 'Infinity') "
    "< coalesce({old}.taken_uncertainty_s, 'Infinity'))"
)
# Every station takes its locks in the order of the ids, so that no two wait for each other.
_MERGE = (
    "INSERT INTO quietcuff.reading_key SELECT reading_id, taken_at FROM incoming ORDER BY reading_id "
    "ON CONFLICT DO NOTHING",
    # All of them, also where nothing seems to move: another station may be about to move it.
    "SELECT 1 FROM quietcuff.reading_key AS known JOIN incoming USING (reading_id) ORDER BY reading_id "
    "FOR UPDATE OF known",
    # A reading whose time has changed leaves its old place, which may be in another month's partition.
    "WITH left_over AS (DELETE FROM quietcuff.reading AS old USING incoming, quietcuff.reading_key AS known "
    "WHERE known.reading_id = incoming.reading_id AND known.taken_at <> incoming.taken_at "
    "AND old.reading_id = known.reading_id AND old.taken_at = known.taken_at "
    f"AND {_MAY_REPLACE.format(old='old')} RETURNING old.reading_id) "
    "UPDATE quietcuff.reading_key AS known SET taken_at = incoming.taken_at FROM incoming, left_over "
    "WHERE known.reading_id = left_over.reading_id AND incoming.reading_id = left_over.reading_id",
    f"INSERT INTO quietcuff.reading ({_NAMES}) SELECT {', '.join('incoming.' + name for name in COLUMNS)} "
    "FROM incoming JOIN quietcuff.reading_key AS known USING (reading_id, taken_at) ORDER BY reading_id "
    "ON CONFLICT (reading_id, taken_at) DO UPDATE SET "
    + ", ".join(f"{name} = excluded.{name}" for name in COLUMNS if name not in ("reading_id", "taken_at"))
    + " WHERE "
    + _MAY_REPLACE.format(old="reading").replace("incoming.", "excluded."),
)
_TAKE_BACK = (
    "DELETE FROM quietcuff.reading AS old USING quietcuff.reading_key AS known WHERE old.reading_id = known.reading_id "
    "AND old.taken_at = known.taken_at AND known.reading_id = ANY(%(gone)s) AND old.station = %(station)s",
    "DELETE FROM quietcuff.reading_key AS known WHERE reading_id = ANY(%(gone)s) AND NOT EXISTS (SELECT 1 FROM "
    "quietcuff.reading AS left_over WHERE left_over.reading_id = known.reading_id "
    "AND left_over.taken_at = known.taken_at)",
)
_TRIES = 5


class Database:
    """An open connection, the schema made where it is missing."""

    def __init__(self, receiver: Receiver, context: ExportContext) -> None:
        try:
            self._psycopg: Any = import_module("psycopg")
        except ImportError:
            raise ExchangeError(
                "PostgreSQL needs the extra 'postgresql': pip install 'quietcuff[postgresql]'"
            ) from None
        self._receiver, self._station = receiver, context.station
        self._months: set[date] = set()
        with self._telling():
            self._connection = self._psycopg.connect(**_how(receiver), autocommit=True)
            if self._connection.execute("SELECT to_regclass('quietcuff.reading')").fetchone()[0] is None:
                with self._alone():
                    self._connection.execute(SCHEMA)
            self._connection.execute("CREATE TEMP TABLE incoming (LIKE quietcuff.reading) ON COMMIT DELETE ROWS")

    def deliver(self, batch: Batch) -> None:
        for tries in range(_TRIES):
            try:
                with self._telling():
                    self._months_of(batch.readings)
                    with self._connection.transaction():
                        self._merge(batch)
                return
            except _Again:
                if tries == _TRIES - 1:
                    raise Unreachable(f"{self._receiver.host}: the database is too busy") from None

    def _merge(self, batch: Batch) -> None:
        if batch.gone:
            values = {"gone": list(batch.gone), "station": self._station}
            for statement in _TAKE_BACK:
                self._connection.execute(statement, values)
        if batch.readings:
            with self._connection.cursor() as cursor:
                with cursor.copy(f"COPY incoming ({_NAMES}) FROM STDIN") as copy:
                    for reading in batch.readings:
                        copy.write_row(_row(reading, self._station))
                for statement in _MERGE:
                    cursor.execute(statement)

    def _months_of(self, readings: Iterable[Reading]) -> None:
        """Partitions for the months of these readings, in transactions of their own."""
        wanted = {reading.taken_at.astimezone(UTC).date().replace(day=1) for reading in readings} - self._months
        for month in sorted(wanted):
            name = f"quietcuff.reading_{month:%Y_%m}"
            if self._connection.execute("SELECT to_regclass(%s)", (name,)).fetchone()[0] is None:
                with self._alone():
                    self._connection.execute(
                        f"CREATE TABLE IF NOT EXISTS {name} PARTITION OF quietcuff.reading "
                        f"FOR VALUES FROM ('{_bound(month)}') TO ('{_bound(_next(month))}')"
                    )
            self._months.add(month)

    def _alone(self) -> "_Alone":
        return _Alone(self._connection)

    def _telling(self) -> "_Telling":
        return _Telling(self._psycopg, self._receiver.host)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()


class _Again(Exception):
    """Two stations met; the same once more will do."""


class _Alone:
    """A transaction that only one station is in at a time."""

    def __init__(self, connection: Any) -> None:
        self._connection = connection
        self._transaction = connection.transaction()

    def __enter__(self) -> None:
        self._transaction.__enter__()
        self._connection.execute("SELECT pg_advisory_xact_lock(%s)", (_LOCK,))

    def __exit__(self, *failure: Any) -> None:
        self._transaction.__exit__(*failure)


class _Telling:
    """Turns psycopg's errors into ours, in one line. They hold no password."""

    def __init__(self, psycopg: Any, host: str) -> None:
        self._errors, self._host = psycopg.errors, host

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: Any, error: Any, _: object) -> None:
        if kind is None or not issubclass(kind, self._errors.Error):
            return
        text = f"{self._host}: {' '.join(str(error).split())}"[:300]
        if issubclass(kind, self._errors.DeadlockDetected | self._errors.SerializationFailure):
            raise _Again from None
        if issubclass(kind, self._errors.DataError | self._errors.IntegrityError):
            raise Refused(text) from None
        raise Unreachable(text) from None


def _how(receiver: Receiver) -> dict[str, Any]:
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


def _row(one: Reading, station: str) -> tuple[Any, ...]:
    in_mmhg = (None if value is None else mmhg(value, one.unit) for value in (one.systolic, one.diastolic, one.mean))
    return (
        one.reading_id,
        station,
        one.cuff,
        one.slot,
        _clean(one.person),
        one.systolic,
        one.diastolic,
        one.mean,
        one.unit,
        one.pulse,
        *in_mmhg,
        one.taken_at.astimezone(UTC),
        one.taken_at.replace(tzinfo=None),
        one.taken_basis.value,
        one.taken_uncertainty_s,
        one.received_at,
        list(one.status),
        one.features_known,
        list(one.assessed),
        one.stamp,
        list(one.marks),
        one.payload,
        _clean(one.note),
    )


def _clean(text: str | None) -> str | None:
    """PostgreSQL's text holds no NUL and no half of a surrogate pair (its manual, character types)."""
    return None if text is None else re.sub("[\0\ud800-\udfff]", "\N{REPLACEMENT CHARACTER}", text)


def _next(month: date) -> date | None:
    if (month.year, month.month) == (9999, 12):
        return None
    return month.replace(year=month.year + month.month // 12, month=month.month % 12 + 1)


def _bound(month: date | None) -> str:
    return "infinity" if month is None else datetime(month.year, month.month, 1, tzinfo=UTC).isoformat()
