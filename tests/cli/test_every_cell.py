"""Any value in any cell of a store: no traceback, no silence, nothing stopped for ever.

Somebody's SQL, a bad disk or an older bug put it there. Every command ends with what it can show, or with one line that
says what, where and what to do; `check` always ends, and names table and row; a rebuild heals whatever is derived.
"""

import asyncio
import json
import random
import resource
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cells import STEERING, VALUES, columns, put
from station_page import HALLWAY, Pages, household
from typer.testing import CliRunner, Result

from collector.cli.common.root_group import root_app
from collector.store import audit, conditions
from collector.store.errors import StoreError
from collector.store.opening import open_store
from collector.store.people import loans
from collector.store.people.loan_states import State
from collector.store.people.page_devices import Role

SAMPLES = {
    "INTEGER": 1, "TEXT": "x", "BLOB": bytes(16), "REAL": 1.0, ("pairing", "answer"): 1,
    ("retimed", "before_basis"): "arrival", ("retimed", "after_basis"): "arrival", ("sitting", "prepared"): "[]",
    ("sitting", "readings"): "[]", ("page_sitting", "claimed"): "[]", ("page_sitting", "answers"): "[]",
    ("page_device", "role"): "keeper", ("page_invite", "role"): "keeper", ("relay_target", "name"): "clinic",
}  # fmt: skip
"""Of a column in a table that is still empty: by its kind, or its own."""
JSON = {
    ("audit", "detail"): ("'[]'", "'5'"),
    ("office_visit", "readings"): ('\'[["NaN", "x"]]\'', "'[[]]'", "'[\"120/80\"]'", '\'[["NaN", "NaN"]]\''),
    ("sitting", "readings"): ("'[{}]'", "'[[\"a\"]]'"),
    ("loan", "slots"): ("'[\"x\"]'", "'[[1]]'"),
    ("loan", "checks"): ("'[]'",),
    ("page_sitting", "answers"): ("'[1]'", "'[[\"x\", 1]]'"),
}
"""JSON of another shape than the column holds."""
READING = (
    "readings --all --json", "readings --last 50", "check", "average mira", "average ben --json", "trend mira",
    "report mira --output page.html", "export --to csv", "export --to ndjson", "export --to fhir-bulk",
    "export --to omh", "loan list", "person list", "person history", "cuff list", "note list mira", "office list mira",
    "relay status", "page devices", "backup list", "store tables", "retention --days 365",
)  # fmt: skip
CHANGING = (
    "rebuild", "merge", "person erase ben --yes", "backup now", "person claim zoe READING", "strike READING",
    "import more.csv", f"loan mark {HALLWAY} lost", "retention --days 1 --apply", "export --to csv --only-new",
)  # fmt: skip
PLACES = """/ /people /devices /cuffs /station /desk /nobody
    /p/1/today /p/1/measure /p/1/readings /p/1/visit/page /p/1/time"""
RUNS: dict[str, int] = {"cells": 0, "commands": 0}


def run(store: Path, *words: str) -> Result:
    return CliRunner().invoke(root_app(), ["--store", str(store), *words])


@pytest.fixture(autouse=True)
def surroundings(quietcuff: Callable[..., Result], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("collector.service.checks.everything._radio", lambda config, findings: iter(()))


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A household's store with a row in every table."""
    path, now = tmp_path_factory.mktemp("full") / "full.db", datetime.now(UTC) - timedelta(days=1)
    household(path, now).close()
    day, log = f"{now - timedelta(days=3):%Y-%m-%d}", path.with_name("log.csv")
    log.write_text(
        "taken_at,systolic,diastolic,person\n" + "".join(f"{day}T0{n}:30,{128 + n},81,ben\n" for n in range(9))
    )

    def done(words: str) -> str:
        result = run(path, *words.split())
        assert result.exit_code in (0, 3), (words, result.output)
        return result.stdout

    for words in (
        "person add old", "person add zoe", "person unite ben old --yes", f"import {log}",
        f"note add mira {day} tablet", f"note add mira {day} 07:30 --kind dose",
        f"office add mira 144/91 139/88 --on {day}", "export --to csv --only-new", "page invite mira",
    ):  # fmt: skip
        done(words)
    ids = [json.loads(line)["reading_id"] for line in done("readings --all --json").splitlines()]
    for words in (f"strike {ids[9]}", f"person claim zoe {ids[-1]}"):
        done(words)
    with open_store(path) as store:
        loans.set_state(store, HALLWAY, State.AVAILABLE, now)
        loans.lend(store, HALLWAY, "B-117", ("any",), now + timedelta(hours=1))
        audit.record(store, now, "tried", {"what": "all"})
        conditions.tell(store, "clock", "it is doubted", now)
    with closing(sqlite3.connect(path)) as database:
        for table in {table for table, *_ in columns()} - {"erasing"}:  # below
            if not database.execute(f"SELECT count(*) FROM {table}").fetchone()[0]:
                wanted = [row[1:3] for row in database.execute(f"PRAGMA table_info({table})") if row[1] != "id"]
                values = [SAMPLES.get((table, name), SAMPLES[kind]) for name, kind in wanted]
                names = ", ".join(name for name, _ in wanted)
                database.execute(f"INSERT INTO {table} ({names}) VALUES ({', '.join('?' * len(wanted))})", values)
        database.commit()
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


def cells() -> Iterator[tuple[str, str, str]]:
    """(table, column, SQL of a value): every column, whatever it is of, and every value that differs for its kind."""
    with closing(sqlite3.connect(":memory:")) as database:
        kinds = {name: database.execute(f"SELECT typeof({sql})").fetchone()[0] for name, sql in VALUES.items()}
    for table, column, kind in columns():
        others = {"null", "blob", "integer", "real", "text"} - {kind.lower()}
        for name, sql in VALUES.items():
            if kinds[name] in others and kinds[name] != "null":
                others.discard(kinds[name])  # one of another kind is as good as any
            elif kinds[name] not in (kind.lower(), "null"):
                continue
            yield table, column, sql
        yield from ((table, column, sql) for sql in JSON.get((table, column), ()))


def wrong_with(full: Path, folder: Path, cell: tuple[str, str, str], commands: tuple[str, ...]) -> Iterator[str]:
    """What goes wrong with such a value, in words: nothing, it is hoped."""
    path = folder / "store.db"
    for left in folder.glob("*"):
        shutil.rmtree(left) if left.is_dir() else left.unlink()
    if not put(full, *cell, path):
        return
    RUNS["cells"] += 1
    reading = run(full, "readings", "--all", "--json").stdout.splitlines()[20]
    at_first, checked, failed = path.read_bytes(), None, []
    (folder / "more.csv").write_text("taken_at,systolic,diastolic,person\n2026-03-12T08:31,133,81,ben\n")
    for words in commands:
        if words in CHANGING:
            for left in folder.glob("store.db*"):
                left.unlink()
            path.write_bytes(at_first)
            path.chmod(0o600)
        RUNS["commands"] += 1
        asked = words.replace("READING", json.loads(reading)["reading_id"]).split()
        result = run(folder / "fresh.db", "merge", str(path)) if words == "merge" else run(path, *asked)
        if words == "check":
            checked = result
        said = result.stderr.splitlines()
        if "unforeseen" in result.output or not isinstance(result.exception, SystemExit | None):
            yield f"{words}: {result.exception or ''} {result.stderr[:300]}"
        elif result.exit_code not in (0, 1, 2, 3) or STEERING in result.output:
            yield f"{words}: ends with {result.exit_code}, or steers the terminal"
        elif result.exit_code == 1 and words != "check":
            failed.append(f"{words}: {result.stderr[:200]}")
            if len(said) != 1 or len(said[0]) > 900:
                yield f"{words}: {len(said)} lines, {result.stderr[:200]}"
        elif words == READING[0] and cell[0] not in ("cuff", "payload", "zone") and len(said_of(result)) < 30:
            yield f"only {len(said_of(result))} readings are shown"
    if failed and checked is not None and not {cell[0] + " row ", "BROKEN"} & set(_told(checked.stdout, cell[0])):
        yield f"check is silent, but {failed[0]}"


def said_of(result: Result) -> list[str]:
    return result.stdout.splitlines()


def _told(said: str, table: str) -> Iterator[str]:
    yield from (word for word in (f"{table} row ", "BROKEN", "set aside") if word in said)


def pages_wrong(path: Path) -> Iterator[str]:
    async def ask() -> list[str]:
        found = []
        with open_store(path) as store:
            pages = Pages(store)
            with suppress(StoreError):
                browser = pages.signed_in(Role.KEEPER)
                for place in PLACES.split():
                    RUNS["commands"] += 1
                    try:
                        answer = await browser.get(place)
                    except Exception as error:  # what the page's own server would answer by 500
                        found.append(f"{place}: {error!r}")
                        continue
                    if answer.status_code not in (200, 303, 404, 422, 503):
                        found.append(f"{place}: {answer.status_code}")
            for browser in pages.browsers:
                await browser.aclose()
        return found

    with suppress(StoreError):
        yield from asyncio.run(ask())


SOME = random.Random("a sample of every cell").sample([*cells()], 6)


@pytest.mark.parametrize("cell", SOME, ids=lambda cell: f"{cell[0]}.{cell[1]}={cell[2][:24]}")
def test_some_cells(cell: tuple[str, str, str], full: Path, tmp_path: Path) -> None:
    commands = ("readings --all --json", "check", "average mira", "export --to ndjson", "rebuild", "merge")
    assert [*wrong_with(full, tmp_path, cell, commands)] == []


@pytest.mark.parametrize(
    "cell",
    [
        ("reading", "systolic", "1e999999999"), ("reading", "pulse", "1e-999999999"),
        ("reading", "reading_id", "steers"), ("reading", "unit", "steers"), ("relay_target", "next_at", "0"),
        ("relay_target", "since", "before year 1"), ("relay_hold", "next_at", "before year 1"),
    ],
    ids=lambda cell: ".".join(cell),
)  # fmt: skip
def test_cells_that_once_stopped_a_command(cell: tuple[str, str, str], full: Path, tmp_path: Path) -> None:
    table, column, value = cell
    wanted = ("readings --last 50", "check", "relay status", "export --to fhir-bulk")
    assert [*wrong_with(full, tmp_path, (table, column, VALUES[value]), wanted)] == []


@pytest.mark.parametrize("year", ["year 1", "year 9999"])
def test_a_reading_at_an_end_of_the_calendar_stops_nothing(year: str, full: Path, tmp_path: Path) -> None:
    """Weeks and windows around it would lie outside: it is set aside."""
    store = tmp_path / "store.db"
    assert put(full, "reading", "taken_at", VALUES[year], store)
    for words in ("readings --last 3", "average mira", "trend mira", "report mira --output page.html"):
        result = run(store, *words.split())
        assert result.exit_code in (0, 3), result.output
    assert "taken_at" in run(store, "check").stdout


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("table", sorted({table for table, *_ in columns()}))
def test_every_cell(table: str, full: Path, tmp_path: Path) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (4 << 30, resource.getrlimit(resource.RLIMIT_AS)[1]))
    found = []
    for cell in cells():
        if cell[0] == table:
            wrong = [*wrong_with(full, tmp_path, cell, READING + CHANGING)]
            if put(full, *cell, tmp_path / "page.db"):
                wrong += pages_wrong(tmp_path / "page.db")
            found += [f"{cell[1]}={cell[2][:40]}: {one}" for one in wrong]
    print(f"\n{table}: {RUNS}, {len(found)} failures", *found, sep="\n  ", flush=True)
    assert found == []


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
