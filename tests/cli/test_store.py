"""`quietcuff store`: queries, tables and the schema, and that none of it writes."""

import csv
import hashlib
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

Run = Callable[..., Result]


def test_a_query_as_json_and_as_csv(quietcuff: Run, household: Path) -> None:
    sql = "SELECT address, name FROM cuff ORDER BY address"
    asked = ("--store", str(household), "store", "query", sql)
    rows = [json.loads(line) for line in quietcuff(*asked).stdout.splitlines()]
    assert [row["name"] for row in rows] == ["kitchen", None]
    found = list(csv.DictReader(io.StringIO(quietcuff(*asked, "--csv").stdout)))
    assert [(row["address"], row["name"]) for row in found] == [(row["address"], row["name"] or "") for row in rows]


def test_octets_are_hex_and_text_cannot_move_the_cursor(quietcuff: Run, household: Path) -> None:
    sql = "SELECT value, char(27) || '[2J' AS odd FROM payload WHERE length(value) = 2"
    result = quietcuff("--store", str(household), "store", "query", sql)
    row = json.loads(result.stdout)
    assert row["value"] == "1e80"
    assert "\x1b" not in row["odd"]


@pytest.mark.parametrize("sql", ["DELETE FROM payload", "SELECT nothing FROM nowhere", "not SQL", "DROP TABLE cuff"])
def test_what_writes_or_is_no_query_is_one_line_and_changes_nothing(quietcuff: Run, household: Path, sql: str) -> None:
    before = hashlib.sha256(household.read_bytes()).digest()
    result = quietcuff("--store", str(household), "store", "query", sql)
    assert result.exit_code == 1
    assert len(result.stderr.splitlines()) == 1
    assert "Traceback" not in result.output
    assert hashlib.sha256(household.read_bytes()).digest() == before


def test_tables_and_schema(quietcuff: Run, household: Path) -> None:
    listed = quietcuff("--store", str(household), "store", "tables").stdout
    rows = {line.split()[0]: line.split()[1] for line in listed.splitlines()[1:]}
    assert rows["cuff"] == "2"
    assert int(rows["payload"]) > 24
    assert "CREATE TABLE" in quietcuff("--store", str(household), "store", "schema").stdout


def test_nothing_found_is_nothing_on_stdout(quietcuff: Run, household: Path) -> None:
    result = quietcuff("--store", str(household), "store", "query", "SELECT 1 WHERE 0")
    assert (result.exit_code, result.stdout) == (0, "")


def test_no_cell_of_a_query_is_a_formula(quietcuff: Run, household: Path) -> None:
    sql = "SELECT '=1+1' AS \"=a\", '@x' AS b, '-1.5' AS pressure, -2 AS number, '\uff1d1' AS wide"
    told = quietcuff("--store", str(household), "store", "query", sql, "--csv").stdout
    assert told == "'=a,b,pressure,number,wide\n'=1+1,'@x,-1.5,-2,'\uff1d1\n"
