"""The same commands on the store and on the central database that it was relayed to: a real PostgreSQL."""

import json
import shutil
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import psycopg
import pytest
from measured import IRREGULAR, KITCHEN, MONDAY, make_store, week
from servers import postgresql
from typer.testing import Result

from collector.store.opening import open_store
from collector.store.people import loans, notes, office_visits, sittings

pytestmark = pytest.mark.system

Run = Callable[..., Result]


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    with postgresql() as port:
        yield port


@pytest.fixture
def url(port: int, request: pytest.FixtureRequest) -> str:
    """A database of its own for each test."""
    name = "db_" + str(abs(hash(request.node.name)))
    with psycopg.connect(f"host=127.0.0.1 port={port} user=postgres", autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return f"postgresql://postgres@127.0.0.1:{port}/{name}"


@pytest.fixture(scope="session")
def made_lived_in(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """mira: two weeks around a change, office, doses, a plan and a guided sitting; rui: three days and a loan."""
    rows = [
        *week(MONDAY, 150, 92),
        *week(MONDAY + timedelta(days=28), 136, 84),
        (MONDAY + timedelta(days=29, hours=9), None, None, 64, 0, 1),
        *week(MONDAY, 120, 75, days=3, slot=2),
        (MONDAY + timedelta(days=1, hours=9), 182, 99, 88, IRREGULAR, 2),
        (MONDAY + timedelta(days=2, hours=9), 125, 80, 70, 0, 3),
    ]
    path = make_store(tmp_path_factory.mktemp("lived") / "home.db", rows, {"mira": 1, "rui": 2})
    with open_store(path) as store:
        at = MONDAY + timedelta(days=40)
        notes.add(store, "mira", (MONDAY + timedelta(days=8)).date(), "new tablet in the morning", notes.REGIMEN, at)
        notes.add(store, "mira", (MONDAY + timedelta(days=30)).date(), "06:30", notes.DOSE, at)
        notes.add(store, "mira", (MONDAY + timedelta(days=30)).date(), "a cold", notes.OTHER, at)
        office_visits.add(store, "mira", (MONDAY + timedelta(days=36)).date(), [(151, 93), (149, 91)], at)
        first = store.scalar("SELECT reading_id FROM reading WHERE person_id = 1 AND taken_at > ? ORDER BY taken_at",
                             (int((MONDAY + timedelta(days=28)).timestamp() * 1_000_000),))  # fmt: skip
        sittings.keep(store, "mira", MONDAY + timedelta(days=28), ["rested five minutes"], [first], at)
        loans.set_state(store, KITCHEN, loans.State.AVAILABLE, at)
        loans.lend(store, KITCHEN, "B-117", (9,), at + timedelta(days=1))
    return path


CONFIG = """
[people.mira]
protocol = "esh-2023"
goal_systolic = 130
goal_diastolic = 80
[people.rui]
threshold_systolic = 140
threshold_diastolic = 90
"""


class Station:
    """A store and its configuration, which relays to the central database."""

    def __init__(self, run: Run, folder: Path, store: Path, url: str) -> None:
        folder.mkdir(exist_ok=True)
        self.store, self._run = Path(shutil.copy(store, folder / "home.db")), run
        self.config = folder / "q.toml"
        self.config.write_text(f'[relay.central]\nkind = "postgresql"\nurl = "{url}"\nunassigned = true\n{CONFIG}')

    def __call__(self, *args: str) -> Result:
        return self._run("--store", str(self.store), "--config", str(self.config), *args)

    def send(self) -> str:
        result = self("relay", "send")
        assert result.exit_code == 0, result.stderr
        return result.stdout


@pytest.fixture
def station(quietcuff: Run, made_lived_in: Path, tmp_path: Path, url: str) -> Station:
    return Station(quietcuff, tmp_path / "home", made_lived_in, url)


@pytest.fixture
def central(quietcuff: Run, tmp_path: Path, url: str) -> Run:
    empty = tmp_path / "reader.toml"
    empty.write_text("")
    return lambda *args: quietcuff("--store", url, "--config", str(empty), *args)


ASKED = [
    ("readings", "--all"),
    ("readings", "--json"),
    ("readings", "mira", "--last", "5", "--json"),
    ("readings", "--unassigned", "--json"),
    ("readings", "--cuff", "kitchen", "--json", "--since", "2031-03-04", "--until", "2031-03-05"),
    ("average", "mira", "--json"),
    ("average", "mira", "--readings", "--protocol", "nice-ng136"),
    ("average", "rui", "--json"),
    ("average", "mira", "--since", "2031-03-03", "--until", "2031-03-09", "--json"),
    ("change", "mira", "--json"),
    ("change", "mira"),
    ("trend", "mira", "--json"),
    ("trend", "mira"),
    ("person", "list", "--json"),
    ("person", "list"),
    ("loan", "list", "--json"),
    ("loan", "list"),
    ("export", "--to", "csv"),
    ("export", "mira", "--to", "ndjson"),
    ("export", "mira", "--to", "omh"),
]


def test_every_field_is_the_same_on_both(station: Station, central: Run) -> None:
    station.send()
    for asked in ASKED:
        here, there = station(*asked), central(*asked)
        assert (there.exit_code, there.stdout, there.stderr) == (here.exit_code, here.stdout, here.stderr), asked
        assert here.stdout, asked


def test_the_page_for_the_chart_is_the_same(station: Station, central: Run, tmp_path: Path) -> None:
    station.send()
    pages = []
    for number, run in enumerate((station, central)):
        path = tmp_path / f"{number}.html"
        assert run("report", "mira", "-o", str(path)).exit_code in (0, 3)
        pages.append(path.read_text("utf-8"))
    made = [page.split("Made ")[0] for page in pages]  # up to the minute it was made
    assert made[0] == made[1]
    assert len(made[0]) > 5000
    for shown in ("1 guided sitting", "new tablet in the morning", "150/92"):
        assert shown in made[1], shown


def test_what_cannot_be_done_there_says_so(station: Station, central: Run) -> None:
    station.send()
    for asked in (("note", "add", "mira", "2031-03-20", "x"), ("person", "add", "bo"), ("strike", "abc"),
                  ("readings", "--about", "3f"), ("cuff", "list"), ("store", "tables"), ("backup", "now"),
                  ("export", "--to", "csv", "--only-new")):  # fmt: skip
        told = central(*asked)
        assert told.exit_code in (1, 2), asked
        assert "central database" in told.stderr, (asked, told.stderr)
        assert "\n" not in told.stderr.strip(), asked


def test_rename_erase_and_what_is_taken_back_travel(station: Station, central: Run) -> None:
    station.send()
    assert station("person", "rename", "rui", "r2").exit_code == 0
    noted = json.loads(station("note", "list", "mira", "--json").stdout.splitlines()[0])
    assert station("note", "remove", "mira", noted["id"] if "id" in noted else noted["note_id"]).exit_code == 0
    station.send()
    for asked in (("person", "list", "--json"), ("average", "r2", "--json"), ("trend", "mira", "--json")):
        assert central(*asked).stdout == station(*asked).stdout, asked
    assert station("person", "erase", "r2", "--yes").exit_code == 0
    station.send()
    assert "r2" not in central("person", "list").stdout
    assert central("readings", "--json").stdout == station("readings", "--json").stdout


def test_a_change_of_people_alone_is_sent_and_nothing_new_asks_nobody(station: Station, central: Run) -> None:
    station.send()
    assert station("note", "add", "mira", "2031-04-08", "walks in the evening").exit_code == 0
    station.send()
    assert central("trend", "mira", "--json").stdout == station("trend", "mira", "--json").stdout
    station.config.write_text(station.config.read_text().replace("127.0.0.1", "127.0.0.2"))
    assert "nothing to send" in station.send()


def test_restored_from_a_backup_or_added_twice_it_doubles_nothing(
    station: Station, central: Run, quietcuff: Run, made_lived_in: Path, tmp_path: Path, url: str
) -> None:
    station.send()
    before = central("readings", "--json").stdout
    again = Station(quietcuff, tmp_path / "restored", made_lived_in, url)  # as it was before anything was sent
    with open_store(again.store) as store, store.transaction():  # meanwhile its times are known better
        store.query("UPDATE reading SET taken_at = taken_at + 60000000")
    again.send()
    assert central("readings", "--json").stdout == again("readings", "--json").stdout
    with open_store(again.store) as store, store.transaction():
        store.query("UPDATE reading SET taken_at = taken_at - 60000000")
        store.query("UPDATE station SET uid = randomblob(16) WHERE own")  # the same readings from another station
        store.query("DELETE FROM relay_target")
    again.send()
    for asked in (("readings", "--json"), ("person", "list", "--json"), ("loan", "list", "--json")):
        assert len(central(*asked).stdout.splitlines()) == len(again(*asked).stdout.splitlines()), asked
    assert len(before.splitlines()) == len(central("readings", "--json").stdout.splitlines())


def test_a_month_offline_is_caught_up(station: Station, central: Run) -> None:
    url = station.config.read_text()
    station.config.write_text(url.replace("127.0.0.1", "127.0.0.2"))
    assert station("relay", "send").exit_code == 3
    assert station("note", "add", "mira", "2031-04-08", "walks in the evening").exit_code == 0
    assert station("person", "rename", "rui", "r2").exit_code == 0
    station.config.write_text(url)
    station.send()
    for asked in ASKED[:3]:
        assert central(*asked).stdout == station(*asked).stdout


def test_two_of_one_name_are_two_until_the_owner_says_otherwise(
    station: Station, central: Run, quietcuff: Run, tmp_path: Path, url: str
) -> None:
    rows = [*week(MONDAY + timedelta(days=60), 128, 78)]
    other = make_store(tmp_path / "other.db", rows, {"mira": 1})
    station.send()
    Station(quietcuff, tmp_path / "other", other, url).send()
    told = central("average", "mira")
    assert told.exit_code == 1
    assert "2 people are called 'mira'" in told.stderr
    with psycopg.connect(url, autocommit=True) as connection:
        uids = [uid for (uid,) in connection.execute("SELECT uid FROM quietcuff.person WHERE name = 'mira' ORDER BY 1")]
        assert len(uids) == 2
        connection.execute("INSERT INTO quietcuff.same_person VALUES (%s, %s)", uids)
    average = json.loads(central("average", "mira", "--since", "2031-05-01", "--json").stdout)
    assert average["taken"] == 28
    assert len(central("readings", "mira", "--json").stdout.splitlines()) == 28 + 29 + 28


def test_a_written_line_of_two_people_at_two_stations_is_each_ones(
    station: Station, central: Run, quietcuff: Run, tmp_path: Path, url: str
) -> None:
    other = Station(
        quietcuff, tmp_path / "other", make_store(tmp_path / "other.db", week(MONDAY, 128, 78), {"eve": 1}), url
    )
    for there, name in ((station, "rui"), (other, "eve")):
        (log := tmp_path / f"{name}.csv").write_text(
            f"taken_at,systolic,diastolic,person\n2025-05-06T08:00+00:00,120,80,{name}\n"
        )
        assert there("import", str(log)).exit_code == 0
        there.send()
    asked = ("readings", "--cuff", "hand", "--json")
    found = [json.loads(line) for line in central(*asked).stdout.splitlines()]
    assert sorted(one["person"] for one in found) == ["eve", "rui"]
    assert len({one["reading_id"] for one in found}) == 2


def test_a_reader_gets_whom_it_was_granted(station: Station, central: Run, quietcuff: Run, port: int, url: str) -> None:
    station.send()
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("DROP ROLE IF EXISTS nurse")
        connection.execute("CREATE ROLE nurse LOGIN")
        connection.execute("GRANT USAGE ON SCHEMA quietcuff TO nurse")
        connection.execute("GRANT SELECT ON ALL TABLES IN SCHEMA quietcuff TO nurse")
        connection.execute(
            "INSERT INTO quietcuff.may_read SELECT 'nurse', uid FROM quietcuff.person WHERE name = 'rui'"
        )
    nurse = url.replace("postgres@", "nurse@")
    assert quietcuff("--store", nurse, "average", "mira").exit_code == 1
    people = [
        json.loads(line)["person"] for line in quietcuff("--store", nurse, "readings", "--json").stdout.splitlines()
    ]
    assert set(people) == {"rui"}
    listed = quietcuff("--store", nurse, "person", "list").stdout
    assert "rui" in listed
    assert "mira" not in listed


def test_what_is_asked_wrongly_or_is_not_there_takes_one_line(quietcuff: Run, url: str) -> None:
    for store, told in (
        (url.replace("postgres@", "postgres:secret@"), "holds no password"),
        (url, "the tables are missing"),
        ("postgresql://nobody@127.0.0.1:1/x", "refused"),
    ):
        result = quietcuff("--store", store, "readings")
        assert result.exit_code == 1, store
        assert told in result.stderr, store
        assert "secret" not in result.stderr
        assert "\n" not in result.stderr.strip()
