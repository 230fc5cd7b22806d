"""Values in the file that are none: octets that are no UTF-8, JSON that is none, instants of no year. Somebody's SQL, a
bad disk or an older bug put them there. `check` always ends and names table, row and remedy; no command shows a
traceback.
"""

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import Result

from collector.store import audit, conditions, people
from collector.store.opening import in_memory, open_store
from collector.store.people import slot_spans

NO_TEXT = "CAST(x'41ff42' AS TEXT)"
NO_JSON = "'[{\"'"
NO_INSTANT = "9223372036854775807"
NO_WORD = "'nonsense'"
OF_SOME_WORDS = {
    ("cuff_state", "state"), ("loan", "step"), ("note", "day"), ("office_visit", "day"), ("outcome", "kind"),
    ("page_device", "role"), ("page_invite", "role"), ("reading", "basis"), ("retimed", "after_basis"),
}  # fmt: skip
OTHER_JSON = {
    ("audit", "detail"): ("[]", "5"),
    ("office_visit", "readings"): ('[["NaN", "x"]]', "[[]]", '["120/80"]', '[["NaN", "NaN"]]'),
    ("sitting", "readings"): ("[{}]", '[["a"]]'),
    ("loan", "slots"): ('["x"]', "[[1]]"),
    ("loan", "checks"): ("[]",),
    ("page_sitting", "answers"): ("[1]", '[["x", 1]]'),
}
NOT_LOOKED_AT = {"_sqlite_migrations", "sqlite_sequence", "erasing"}
NO_INSTANTS = {
    "id", "own", "station_id", "cuff_id", "forgotten", "bonded", "passing", "handle", "characteristic", "clock_id",
    "visit_id", "round_trip_us", "error", "number", "encrypted", "slot", "person_id", "zone_id", "status_raw",
    "stamp_us", "sightings", "payload_id", "reading", "redo", "gone", "strict", "holds", "version", "tried", "seq",
    "target_id", "failures", "batch", "sure", "service", "configuration", "answer",
}  # fmt: skip
KITCHEN = "C0:FF:EE:00:00:01"
WORDS = (
    ("readings", "--last", "5"),
    ("average", "Mira"),
    ("person", "list"),
    ("cuff", "list"),
    ("note", "list", "Mira"),
    ("office", "list", "Mira"),
    ("loan", "list"),
    ("relay", "status"),
    ("page", "devices"),
    ("export", "--to", "ndjson"),
    ("report", "Mira", "--output", "page.html"),
    ("rebuild",),
)


@pytest.fixture(scope="module")
def full(made_household: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The household's store with a row in every table."""
    path = tmp_path_factory.mktemp("full") / "full.db"
    shutil.copy(made_household, path)
    at = datetime(2031, 3, 20, 12, 0, tzinfo=UTC)
    with open_store(path) as store:
        people.add(store, "Mira", at - timedelta(days=30))
        slot_spans.add(store, "Mira", KITCHEN, 1, at - timedelta(days=30))
        audit.record(store, at, "tried", {"what": "all"})
        conditions.tell(store, "clock", "it is doubted", at)
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA foreign_keys=OFF")
        for table, columns in tables():
            if not database.execute(f"SELECT count(*) FROM {table}").fetchone()[0]:
                wanted = [(name, kind) for name, kind, _ in columns if name != "id"]
                values = [SAMPLES.get((table, name), SAMPLES[kind]) for name, kind in wanted]
                names = ", ".join(name for name, _ in wanted)
                database.execute(f"INSERT INTO {table} ({names}) VALUES ({', '.join('?' * len(wanted))})", values)
        database.commit()
    return path


SAMPLES = {
    "INTEGER": 1, "TEXT": "x", "BLOB": bytes(16), "REAL": 1.0,
    ("note", "day"): "2031-03-10", ("office_visit", "day"): "2031-03-11", ("office_visit", "readings"): "[]",
    ("retimed", "before_basis"): "arrival", ("retimed", "after_basis"): "arrival",
    ("sitting", "prepared"): "[]", ("sitting", "readings"): "[]", ("loan", "slots"): "[]", ("loan", "checks"): "{}",
    ("page_sitting", "claimed"): "[]", ("loan", "step"): "out",
    ("page_sitting", "answers"): "[]", ("page_device", "role"): "keeper",
    ("page_invite", "role"): "keeper", ("cuff_state", "state"): "on loan",
}  # fmt: skip


def tables() -> Iterator[tuple[str, list[tuple[str, str, bool]]]]:
    """(table, its columns: name, kind, whether it may not be empty)."""
    with closing(in_memory()) as database:
        for (table,) in database.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name"
        ).fetchall():
            if table not in NOT_LOOKED_AT:
                info = database.execute(f"PRAGMA table_info({table})").fetchall()
                yield table, [(name, kind, bool(needed)) for _, name, kind, needed, *_ in info]


def breakages() -> Iterator[tuple[str, str, str]]:
    """(table, column, SQL of the broken value)."""
    for table, columns in tables():
        for name, kind, _ in columns:
            if kind == "TEXT":
                yield table, name, NO_TEXT
            if (table, name) in OF_SOME_WORDS:
                yield table, name, NO_WORD
            if ((table, name) in SAMPLES and str(SAMPLES[table, name])[:1] in "[{") or (table, name) == (
                "audit",
                "detail",
            ):
                yield table, name, NO_JSON
            yield from ((table, name, f"'{text}'") for text in OTHER_JSON.get((table, name), ()))
            if kind == "INTEGER" and name not in NO_INSTANTS:
                yield table, name, NO_INSTANT


def broken(full: Path, folder: Path, table: str, column: str, value: str) -> Path:
    path = Path(shutil.copy(full, folder / "broken.db"))
    path.chmod(0o600)
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA foreign_keys=OFF")
        for (trigger,) in database.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
            if trigger == "payload_never_changes":
                database.execute(f"DROP TRIGGER {trigger}")
        one = f"SELECT {column} FROM {table} LIMIT 1"
        database.execute(f"UPDATE OR REPLACE {table} SET {column} = {value} WHERE {column} IS ({one}) OR 1")
        database.commit()
    return path


@pytest.mark.parametrize(("table", "column", "value"), list(breakages()))
def test_check_ends_and_names_table_and_row(
    table: str, column: str, value: str, full: Path, tmp_path: Path, quietcuff: Callable[..., Result]
) -> None:
    path = broken(full, tmp_path, table, column, value)
    done = quietcuff("--store", str(path), "check")
    assert done.exit_code in (1, 3), done.output
    assert "unforeseen" not in done.output, done.output
    assert done.stdout.splitlines()[-1].strip(), done.output
    assert f"{table} row " in done.stdout, done.output


@pytest.mark.long
@pytest.mark.parametrize(("table", "column", "value"), list(breakages()))
def test_other_commands_go_on_or_say_one_line(
    table: str,
    column: str,
    value: str,
    full: Path,
    tmp_path: Path,
    quietcuff: Callable[..., Result],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    for words in WORDS:
        path = broken(full, tmp_path, table, column, value)
        done = quietcuff("--store", str(path), *words)
        assert done.exit_code in (0, 1, 2, 3), (words, done.output)
        assert "unforeseen" not in done.output, (words, done.output)
        if done.exit_code == 1:
            assert len(done.stderr.splitlines()) == 1, (words, done.stderr)


def test_an_interrupted_erase_that_cannot_be_read_stops_no_command(
    household: Path, quietcuff: Callable[..., Result]
) -> None:
    with closing(sqlite3.connect(household)) as database:
        database.execute("INSERT INTO erasing VALUES (zeroblob(16), 1, zeroblob(64), zeroblob(64))")
        database.commit()
    for words in (("readings", "--last", "2"), ("person", "add", "Jonas"), ("check",)):
        done = quietcuff("--store", str(household), *words)
        assert done.exit_code in (0, 3), done.output
        assert "unforeseen" not in done.output
    assert "not finished yet" in quietcuff("--store", str(household), "readings").stderr
