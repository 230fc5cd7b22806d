"""The central database asked instead of a store: only what a question is about is fetched, by a role that reads."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any
from zoneinfo import ZoneInfo

from collector.share.private_file import masked
from collector.share.relay.postgresql import how_to_connect, psycopg
from collector.share.relay.postgresql_schema import VERSION
from collector.share.relay.receiver import Receiver
from collector.store.columns import columns_of
from collector.store.elsewhere import CentralReading, StoreElsewhere
from collector.store.errors import RefusedByStore, StoreError
from collector.store.merge.people_entries import OF_ONE, Entry
from collector.store.values import Basis, Reading, Selection

_AT_ONCE = 2000
_NAMES = [one.name for one in columns_of(Reading)]
_READ: Mapping[str, Callable[[Any], Any]] = {"taken_basis": Basis, "status": tuple, "assessed": tuple, "marks": tuple}


def open_central(url: str) -> StoreElsewhere:
    """What all stations relayed to the PostgreSQL database at `url`, as a store to be read.

    The password is where libpq looks for it (~/.pgpass), never in the url. Raises StoreError, ExchangeError.
    """
    return StoreElsewhere(_Database(url))


class _Database:
    def __init__(self, url: str) -> None:
        self._psycopg = psycopg()
        receiver = Receiver("central", "postgresql", url).check()
        self.name = url
        how = how_to_connect(receiver) | {"options": "-c default_transaction_read_only=on -c timezone=UTC -c jit=off"}
        with self._in_one_line():
            self._connection = self._psycopg.connect(**how, autocommit=True)
            try:
                self._look_at_version(receiver)
            except BaseException:
                self._connection.close()
                raise

    def _look_at_version(self, receiver: Receiver) -> None:
        there = self._connection.execute("SELECT to_regclass('quietcuff.version')").fetchone()[0]
        version = there and self._connection.execute("SELECT max(version) FROM quietcuff.version").fetchone()[0]
        if version != VERSION:
            what = "the tables are missing" if there is None else f"its tables are of step {version}, not {VERSION}"
            raise RefusedByStore(f"{receiver.host}: {what}; have its owner run `quietcuff relay schema | psql`")

    def entries(self, person: Sequence[str] | None) -> Iterable[Entry]:
        """In the order in which they were entered, as far as that can be told of several stations."""
        which = "kind <> ALL(%s)" if person is None else "kind = ANY(%s) AND person_uid = ANY(%s)"
        values = [list(OF_ONE), *([] if person is None else [list(person)])]
        with self._in_one_line():
            rows = self._connection.execute(
                f"""SELECT kind, key, person_uid, said FROM quietcuff.station_entry WHERE {which} ORDER BY
                    station, place""",
                values,
            ).fetchall()
        return [Entry(*row) for row in rows]

    def same_person(self) -> Mapping[str, str]:
        with self._in_one_line():
            return dict(self._connection.execute("SELECT uid, part_of FROM quietcuff.same_person").fetchall())

    def readings(self, selection: Selection, person: Sequence[str] | None) -> Iterator[CentralReading]:
        wanted = [
            ("person_uid = ANY(%s)", person),
            ("cuff = %s", selection.cuff),
            ("taken_at >= %s", selection.since),
            ("taken_at < %s", selection.until),
        ]
        parts = [sql for sql, value in wanted if value is not None] + ["person IS NULL"] * selection.unassigned
        values = [value for _, value in wanted if value is not None]
        newest = (
            ""
            if selection.last is None
            else f"ORDER BY taken_at DESC, received_at DESC, reading_id DESC LIMIT {selection.last}"
        )
        query = f"""SELECT station, person_uid, zone, {", ".join(_NAMES)} FROM quietcuff.reading WHERE
                {" AND ".join(["zone IS NOT NULL", *parts])} {newest}"""
        with self._in_one_line(), self._connection.transaction(), self._connection.cursor("asked") as cursor:
            cursor.itersize = _AT_ONCE
            cursor.execute(query, values)
            for station, uid, zone, *told in cursor:
                yield _reading(zone, told), station, uid

    def count(self, person: Sequence[str]) -> int:
        with self._in_one_line():
            sql = "SELECT count(*) FROM quietcuff.reading WHERE person_uid = ANY(%s)"
            return int(self._connection.execute(sql, (list(person),)).fetchone()[0])

    def close(self) -> None:
        self._connection.close()

    @contextmanager
    def _in_one_line(self) -> Iterator[None]:
        try:
            yield
        except self._psycopg.Error as error:
            raise StoreError(masked(f"{' '.join(str(error).split())}"[:300])) from None


def _reading(zone: str, told: Sequence[Any]) -> Reading:
    values = dict(zip(_NAMES, told, strict=True))
    for name, read in _READ.items():
        values[name] = read(values[name] or ()) if read is tuple else read(values[name])
    values["taken_at"] = values["taken_at"].astimezone(ZoneInfo(zone))
    return Reading(**values)
