"""Sending on to PostgreSQL: a real server (Debian's), many stations, every reading once."""

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import psycopg
import pytest
from relaying import Clock, household, write_down
from servers import free_port, postgresql

from collector.share.export.context import ExportContext
from collector.share.relay.postgresql import Database
from collector.share.relay.postgresql_reading import open_central
from collector.share.relay.postgresql_schema import NAMES, SCHEMA, VERSION
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent, send
from collector.share.relay.target import Batch, RefusedByReceiver, Unreachable
from collector.store import people
from collector.store.merge.people_entries import Entry
from collector.store.people import notes
from collector.store.readings import select
from collector.store.values import Reading, Selection

pytestmark = pytest.mark.system

Make = Callable[..., Reading]


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    with postgresql() as port:
        yield port


@pytest.fixture
def clinic(port: int, request: pytest.FixtureRequest) -> Receiver:
    """A database of its own for each test."""
    name = "db_" + str(abs(hash(request.node.name)))
    with psycopg.connect(f"host=127.0.0.1 port={port} user=postgres", autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return Receiver("clinic", "postgresql", f"postgresql://127.0.0.1:{port}/{name}", user="postgres", batch=500)


@contextmanager
def looking(receiver: Receiver) -> Iterator[Any]:
    with psycopg.connect(f"{receiver.url}?user=postgres", autocommit=True) as connection:
        yield connection


def rows(receiver: Receiver, columns: str = "reading_id, station") -> list[tuple[Any, ...]]:
    with looking(receiver) as connection:
        return list(connection.execute(f"SELECT {columns} FROM quietcuff.reading ORDER BY reading_id").fetchall())


def database(receiver: Receiver, station: str = "aa") -> Database:
    return Database(receiver, ExportContext(station=station))


def test_a_row_says_what_the_reading_said(clinic: Receiver, reading: Make) -> None:
    one = reading(systolic=Decimal("128.0"), status=("irregular pulse",), note="after\0 tea")
    with database(clinic) as target:
        target.deliver(Batch([one, reading(reading_id="r2", unit="kPa", systolic=Decimal("16.0"), diastolic=None)]))
    names = f"station, {NAMES}".split(", ")
    with looking(clinic) as connection:
        connection.execute("SET TIME ZONE 'UTC'")
        first, second = connection.execute(f"SELECT {', '.join(names)} FROM quietcuff.reading ORDER BY 2").fetchall()
    row = dict(zip(names, first, strict=True))
    assert str(row["systolic"]) == "128.0", "the digits that were sent"
    assert (row["station"], row["cuff"], row["slot"], row["person"]) == ("aa", "C0:FF:EE:00:00:01", 1, "mira")
    assert row["taken_at"] == one.taken_at
    assert row["taken_local"] == datetime(2031, 3, 4, 7, 12, 30)
    assert (row["status"], row["assessed"], row["marks"]) == (["irregular pulse"], ["body movement"], [])
    assert row["note"] == "after\ufffd tea"
    other = dict(zip(names, second, strict=True))
    assert (str(other["systolic"]), str(other["systolic_mmhg"]), other["diastolic_mmhg"]) == ("16.0", "120.0", None)


def test_every_month_has_its_own_table(clinic: Receiver, reading: Make) -> None:
    edge = datetime(2031, 4, 1, 0, 30, tzinfo=ZoneInfo("Europe/Lisbon"))  # in UTC still March
    with database(clinic) as target:
        target.deliver(
            Batch(
                [
                    reading(),
                    reading(reading_id="r2", taken_at=edge),
                    reading(reading_id="r3", taken_at=datetime(2031, 12, 31, 23, 59, tzinfo=UTC)),
                    reading(reading_id="r4", taken_at=datetime(9999, 12, 31, 12, tzinfo=UTC)),
                ]
            )
        )
    with looking(clinic) as connection:
        found = connection.execute(
            "SELECT tableoid::regclass::text, reading_id FROM quietcuff.station_reading ORDER BY 2"
        )
        assert found.fetchall() == [
            ("quietcuff.station_reading_2031_03", "r1"),
            ("quietcuff.station_reading_2031_03", "r2"),
            ("quietcuff.station_reading_2031_12", "r3"),
            ("quietcuff.station_reading_other", "r4"),
        ]


def test_delivered_twice_it_is_there_once(clinic: Receiver, reading: Make) -> None:
    with database(clinic) as target:
        for _ in range(2):
            target.deliver(Batch([reading(), reading(reading_id="r2")]))
    assert rows(clinic) == [("r1", "aa"), ("r2", "aa")]


def test_a_new_time_moves_it_even_to_another_month(clinic: Receiver, reading: Make) -> None:
    with database(clinic) as target:
        target.deliver(Batch([reading()]))
        moved = reading(taken_at=datetime(2031, 2, 28, 6, tzinfo=UTC), person="jon")
        target.deliver(Batch(changed=[moved, reading(reading_id="r2")]))
    assert rows(clinic, "reading_id, person, taken_at") == [
        ("r1", "jon", moved.taken_at),
        ("r2", "mira", reading().taken_at),
    ]


def test_two_stations_keep_the_surer_time(clinic: Receiver, reading: Make) -> None:
    unsure = reading(taken_uncertainty_s=None, taken_at=reading().taken_at + timedelta(hours=1))
    with database(clinic, "aa") as one, database(clinic, "bb") as other:
        other.deliver(Batch([unsure]))
        assert rows(clinic) == [("r1", "bb")]
        one.deliver(Batch([reading(taken_uncertainty_s=2.0)]))
        assert rows(clinic, "station, taken_at") == [("aa", reading().taken_at)]
        other.deliver(Batch(changed=[unsure]))
        assert rows(clinic, "station, taken_at") == [("aa", reading().taken_at)], "the surer one stays"
        one.deliver(Batch(changed=[replace(unsure, taken_uncertainty_s=60.0)]))
        assert rows(clinic, "station, taken_at") == [("aa", unsure.taken_at)], "its own later version holds"


def test_a_written_line_of_two_people_at_two_stations_is_each_ones(clinic: Receiver, reading: Make) -> None:
    """By its minute and values it has one id; of one person it is one reading."""
    with database(clinic, "aa") as one, database(clinic, "bb") as other:
        one.deliver(Batch([reading(cuff="hand"), reading(cuff="hand", reading_id="r2")]))
        other.deliver(Batch([reading(cuff="hand", person="Mira"), reading(cuff="hand", reading_id="r2", person="jon")]))
    assert sorted(rows(clinic)) == [("r1", "aa"), ("r2", "aa"), ("r2", "bb")]


def test_what_is_taken_back_goes_unless_another_station_has_it(clinic: Receiver, reading: Make) -> None:
    with database(clinic, "aa") as one, database(clinic, "bb") as other:
        one.deliver(Batch([reading(), reading(reading_id="r2")]))
        other.deliver(Batch([reading(reading_id="r2", taken_uncertainty_s=0.5)]))
        one.deliver(Batch(gone=["r1", "r2", "never-there"]))
    assert rows(clinic) == [("r2", "bb")]


def test_four_stations_at_once_lose_nothing_and_double_nothing(clinic: Receiver, reading: Make) -> None:
    """The long form of this, with a million readings, is in tests/bench/bench_export.py."""
    base = reading()
    troubles: list[BaseException] = []

    def station(number: int) -> None:
        try:
            # Each brings most of what the others bring, in an order of its own, and in its own idea of the time.
            mine = [
                replace(
                    base,
                    reading_id=f"{n:06d}",
                    taken_uncertainty_s=float(number),
                    taken_at=base.taken_at + timedelta(hours=n % 900, seconds=number % 2),
                )
                for n in range(1000)
                if n % 5 != number
            ]
            if number % 2:
                mine.reverse()
            with database(clinic, f"{number}{number}") as target:
                for start in range(0, len(mine), 100):
                    target.deliver(Batch(mine[start : start + 100]))
        except BaseException as error:
            troubles.append(error)

    threads = [threading.Thread(target=station, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert troubles == []
    with looking(clinic) as connection:
        counts = connection.execute("SELECT count(*), count(DISTINCT reading_id) FROM quietcuff.reading").fetchone()
        assert counts == (1000, 1000)
        wrong = connection.execute(
            "SELECT count(*) FROM quietcuff.reading WHERE station <> CASE "
            "WHEN reading_id::int % 5 = 0 THEN '11' ELSE '00' END"
        ).fetchone()
        assert wrong == (0,), "of each reading the surest version"


def test_from_the_outbox_to_the_table(clinic: Receiver, tmp_path: Path) -> None:
    with household(tmp_path, "mira") as store:
        sent = [write_down(store, "mira", minute) for minute in range(20)]
        assert send(store, clinic, ExportContext(station="aa")) == Sent(fresh=20)
        assert [name for name, _ in sorted(rows(clinic))] == sorted(sent)
        with store.transaction():
            store.query("UPDATE reading SET person_id = NULL WHERE reading_id = ?", (sent[3],))
        assert send(store, clinic, ExportContext(station="aa")) == Sent(gone=1)
        assert len(rows(clinic)) == 19


def test_a_database_that_is_down_is_waited_for(tmp_path: Path) -> None:
    down = Receiver("clinic", "postgresql", f"postgresql://127.0.0.1:{free_port()}/x", user="postgres")
    with household(tmp_path, "mira") as store:
        write_down(store, "mira", 0)
        assert "Connection refused" in (send(store, down, ExportContext(), clock=Clock()).trouble or "")


def test_a_password_is_in_no_error(clinic: Receiver, tmp_path: Path) -> None:
    hidden = tmp_path / "password"
    hidden.write_text("hush-hush\n")
    hidden.chmod(0o600)
    with pytest.raises(Unreachable) as told:
        database(replace(clinic, user="nobody-here", password_file=hidden))
    assert "nobody-here" in str(told.value)
    assert "hush" not in str(told.value)


def test_a_remote_database_is_reached_with_verified_tls_only() -> None:
    from collector.share.relay.postgresql import how_to_connect

    how = how_to_connect(Receiver("clinic", "postgresql", "postgresql://db.example/x"))
    assert (how["sslmode"], how["sslrootcert"]) == ("verify-full", "system")


def test_a_value_that_no_column_takes_is_refused_whole(clinic: Receiver, reading: Make) -> None:
    with database(clinic) as target:
        with pytest.raises(RefusedByReceiver):
            target.deliver(Batch([reading(), reading(reading_id="r2", slot=2**40)]))
        target.deliver(Batch([reading(reading_id="r3")]))
    assert rows(clinic) == [("r3", "aa")]


# -- who may what


def documented() -> list[str]:
    """The blocks of SQL on the page: the owner, a station, a reader."""
    page = (Path(__file__).parents[2] / "docs/exchange.md").read_text("utf-8")
    return re.findall(r"```sql\n(.*?)```", page, re.DOTALL)


@pytest.fixture(scope="module")
def granted(port: int) -> Receiver:
    """The database as the page says: owner, tables, a station, another, a reader; each with no other rights."""
    owner, station, _ = documented()
    with psycopg.connect(f"host=127.0.0.1 port={port} user=postgres", autocommit=True) as connection:
        for statement in owner.split(";\n"):
            connection.execute(statement)
    with psycopg.connect(f"host=127.0.0.1 port={port} dbname=quietcuff user=postgres", autocommit=True) as connection:
        connection.execute("SET ROLE quietcuff_owner")
        for _ in range(2):
            connection.execute(SCHEMA)
        connection.execute("RESET ROLE")
        for text in (station, station.replace("station_kitchen", "station_bath")):
            connection.execute(text)
    return Receiver("clinic", "postgresql", f"postgresql://127.0.0.1:{port}/quietcuff", user="station_kitchen")


@contextmanager
def asking(receiver: Receiver, role: str) -> Iterator[Any]:
    with psycopg.connect(f"{receiver.url}?user={role}", autocommit=True) as connection:
        yield connection


def test_a_station_needs_the_documented_rights_and_no_more(granted: Receiver, reading: Make) -> None:
    """The first of a month, and a second station's role, which owns nothing either."""
    for role, name in (("station_kitchen", "aa"), ("station_bath", "bb")):
        with database(replace(granted, user=role), name) as target:
            target.deliver(Batch([reading(reading_id="both"), reading(reading_id=f"only {name}")]))
            target.deliver(Batch(changed=[reading(reading_id="both", taken_at=datetime(2033, 1, 1, tzinfo=UTC))]))
            target.deliver(Batch(gone=["never-there"]))
    with asking(granted, "postgres") as connection:
        found = connection.execute("SELECT reading_id FROM quietcuff.reading ORDER BY 1").fetchall()
        assert found == [("both",), ("only aa",), ("only bb",)]
        months = connection.execute(
            "SELECT count(*) FROM pg_class WHERE relname ~ '^station_reading_20\\d\\d_\\d\\d$'"
        ).fetchone()
        assert months[0] >= 3 + 1, "those ahead, and the reading's"


def test_no_station_touches_another_ones_rows(granted: Receiver, reading: Make) -> None:
    with database(granted, "aa") as target:
        target.deliver(Batch([reading(reading_id="mine")]))
    with asking(granted, "station_bath") as bath:
        assert bath.execute("DELETE FROM quietcuff.station_reading WHERE station = 'aa'").rowcount == 0
        assert bath.execute("UPDATE quietcuff.station_reading SET person = 'x' WHERE station = 'aa'").rowcount == 0
    with database(replace(granted, user="station_bath"), "aa") as pretending, pytest.raises(Unreachable):
        pretending.deliver(Batch([reading(reading_id="mine")]))


MIRA, NAMESAKE, JON = "a1" * 16, "a2" * 16, "b1" * 16


def person(uid: str, name: str) -> list[Entry]:
    """A person with a note, as a station tells of them."""
    at = {"changed_at": 1_900_000_000_000_000, "cuff": None, "gone": 0}
    return [
        Entry("person", uid, uid, {"name": name, "part_of": None, **at}),
        Entry("note", uid[::-1], uid, {"kind": "regimen", "day": "2031-03-08", "text": f"{name}'s", **at}),
    ]


def test_a_reader_sees_whom_it_was_granted(granted: Receiver, reading: Make) -> None:
    with database(granted, "aa") as target:
        both = [reading(reading_id="1e"), reading(reading_id="2e", person="jon")]
        target.deliver(Batch(both, whose={"mira": MIRA, "jon": JON}))
        target.keep([*person(MIRA, "mira"), *person(JON, "jon")])
    with asking(granted, "postgres") as owner:
        owner.execute(documented()[2])
    with database(replace(granted, user="station_bath"), "bb") as target:  # another mira, after the grant
        target.deliver(Batch([reading(reading_id="3e")], whose={"mira": NAMESAKE}))
        target.keep(person(NAMESAKE, "mira"))
    with asking(granted, "doctor") as doctor:
        for view in ("reading", "station_reading", "station_entry"):
            whose = doctor.execute(f"SELECT DISTINCT person_uid FROM quietcuff.{view} WHERE person_uid IS NOT NULL")
            assert whose.fetchall() == [(MIRA,)], view
        assert doctor.execute("SELECT name FROM quietcuff.person").fetchall() == [("mira",)]
        for statement in (
            "DELETE FROM quietcuff.station_reading",
            "DELETE FROM quietcuff.station_entry",
            "INSERT INTO quietcuff.may_read VALUES ('doctor')",
            f"INSERT INTO quietcuff.same_person VALUES ('{MIRA}', '{JON}')",
        ):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                doctor.execute(statement)
    with open_central(granted.url.replace("//", "//doctor@")) as central:
        assert [one.reading_id for one in select(central, Selection(person="mira"))] == ["1e"]
        assert [one.name for one in people.every(central)] == ["mira"]
        assert [one.text for one in notes.every(central, "mira")] == ["mira's"]
        assert [one.reading_id for one in select(central)] == ["1e"]


def test_no_station_touches_what_was_entered_at_another(granted: Receiver) -> None:
    with database(granted, "aa") as target:
        target.keep(person(MIRA, "mira"))
    with database(replace(granted, user="station_bath"), "aa") as pretending:
        with pytest.raises(Unreachable):
            pretending.keep(person(MIRA, "mallory"))
        pretending.keep([])
    with asking(granted, "postgres") as owner:
        names = owner.execute("SELECT name FROM quietcuff.person WHERE uid = %s", (MIRA,)).fetchall()
        assert names == [("mira",)]


def test_tables_that_are_missing_are_asked_of_the_owner(port: int, granted: Receiver) -> None:
    with psycopg.connect(f"host=127.0.0.1 port={port} user=postgres", autocommit=True) as connection:
        connection.execute("CREATE DATABASE bare")
    bare = replace(granted, url=f"postgresql://127.0.0.1:{port}/bare")
    with pytest.raises(Unreachable, match="have the database's owner run"):
        database(bare)


@pytest.mark.parametrize(("change", "told"), [(-1, "those of an older quietcuff"), (1, "those of a newer quietcuff")])
def test_tables_of_another_version_wait(clinic: Receiver, change: int, told: str) -> None:
    with database(clinic):
        pass
    with looking(clinic) as connection:
        connection.execute("UPDATE quietcuff.version SET version = %s", (VERSION + change,))
    with pytest.raises(Unreachable, match=told):
        database(clinic)


def test_everything_in_the_database_is_described(clinic: Receiver) -> None:
    with database(clinic), looking(clinic) as connection:
        bare = connection.execute("""
            SELECT relname, attname FROM pg_class JOIN pg_namespace AS space ON space.oid = relnamespace
            JOIN pg_attribute ON attrelid = pg_class.oid AND attnum > 0
            WHERE nspname = 'quietcuff' AND relname IN ('version', 'station_reading', 'may_read')
            AND col_description(attrelid, attnum) IS NULL
        """).fetchall()
    assert bare == []


def test_stations_of_different_names_merge_one_persons_cuffs(clinic: Receiver, reading: Make) -> None:
    """Four stations, each with the backlog of the same two cuffs: none lost, none twice; a station restored from a
    backup sends all of it anew and doubles nothing."""
    everything = [reading(reading_id=f"{n:04d}", cuff=f"C0:FF:EE:00:00:0{n % 2}") for n in range(200)]
    for round_ in range(2):
        for station in ("aa", "bb", "cc", "dd"):
            with database(clinic, station) as target:
                target.deliver(Batch([replace(one, taken_uncertainty_s=float(ord(station[0]))) for one in everything]))
        assert [name for name, _ in rows(clinic)] == [one.reading_id for one in everything], f"round {round_}"
    assert {station for _, station in rows(clinic)} == {"aa"}
