"""What `import` of an export refuses: one value that nobody measured, by its place and reason, and nothing is taken."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from collector.store.opening import open_store
from collector.store.readings import count

Run = Callable[..., Result]

HOSTILE = [
    ("systolic", "NaN"),
    ("systolic", "Infinity"),
    ("systolic", "1e400"),
    ("pulse", "1e999999999"),
    ("diastolic", "-80"),
    ("systolic", "9" * 5000),
    ("slot", "-1"),
    ("slot", str(2**70)),
    ("unit", '"stones"'),
    ("taken_at", '"2031-03-04T07:30:00+01:00:30"'),
    ("taken_at", '"2031-03-04T07:30:00"'),
    ("received_at", '"2031-03-04T07:30:00"'),
    ("taken_at", '"0001-01-01T00:00:00+05:00"'),
    ("received_at", '"9999-12-31T23:59:59-05:00"'),
    ("taken_uncertainty_s", "1e400"),
    ("taken_uncertainty_s", "-3"),
    ("sightings", str(2**70)),
    ("sightings", "0"),
    ("person", '"\\ud800"'),
    ("note", '"a\\u0000b"'),
    ("status", '["\\udfff"]'),
    ("reading_id", '""'),
    ("taken_basis", '"by heart"'),
    ("note", "[" * 100_000 + "]" * 100_000),
    ("slot", "true"),
    ("slot", "1.5"),
    ("sightings", '"1"'),
    ("taken_uncertainty_s", "true"),
    ("status", '"irregular pulse"'),
    ("marks", '{"implausible": 1}'),
    ("features_known", '"no"'),
    ("features_known", "1"),
    ("payload", '"stones"'),
    ("payload", '"1e 80"'),
    ("person", '""'),
    ("person", '"\\u001b[31m"'),
]


@pytest.fixture
def exported(quietcuff: Run, household: Path) -> str:
    return quietcuff("--store", str(household), "export", "--to", "ndjson").stdout


@pytest.mark.parametrize(("field", "value"), HOSTILE, ids=[f"{field}-{value[:20]}" for field, value in HOSTILE])
def test_a_line_with_what_nobody_measured(
    quietcuff: Run, exported: str, tmp_path: Path, field: str, value: str
) -> None:
    first, second, *_ = exported.splitlines()
    said = json.loads(second)
    wrong = json.dumps({**said, field: "@"}).replace('"@"', value)
    file = tmp_path / "out.ndjson"
    file.write_text(f"{first}\n{wrong}\n")
    result = quietcuff("--store", str(tmp_path / "new.db"), "import", str(file))
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "nothing was taken" in result.stderr
    assert "unforeseen" not in result.stderr
    with open_store(tmp_path / "new.db") as store:
        assert count(store) == 0


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ('"url":"slot","valueInteger":1', '"url":"slot","valueInteger":1180591620717411303424'),
        ('"url":"sightings","valueInteger":1', '"url":"sightings","valueInteger":-1'),
        ('"value":120', '"value":1e400'),
        ('"value":120', '"value":-120'),
    ],
)
def test_a_bundle_with_what_nobody_measured(
    quietcuff: Run, household: Path, tmp_path: Path, was: str, now: str
) -> None:
    file = tmp_path / "out.json"
    quietcuff("--store", str(household), "export", "--to", "fhir", "--output", str(file))
    text = file.read_text()
    if was not in text:
        pytest.fail(f"the export holds no {was}")
    file.write_text(text.replace(was, now, 1))
    result = quietcuff("--store", str(tmp_path / "new.db"), "import", str(file))
    assert (result.exit_code, result.stderr.count("\n")) == (1, 1)
    assert "nothing was taken" in result.stderr


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ('(?<=/station","value":")[0-9a-f]+', "kitchen"),
        ('(?<=/station","value":")[0-9a-f]+', "ab"),
        ('(?<=effectiveDateTime":")[^"]*(?=","valueDateTime)', "9999-12-31T23:59:59-05:00"),
        ('(?<=effectiveDateTime":")[^"]*(?=","valueDateTime)', "2031-03-04T07:30:00"),
    ],
)
def test_what_a_bundle_says_of_stations_cuffs_and_clocks(
    quietcuff: Run, household: Path, tmp_path: Path, was: str, now: str
) -> None:
    """Seen: a traceback, or a store that no other took in a merge from then on."""
    file = tmp_path / "out.json"
    quietcuff("--store", str(household), "export", "--to", "fhir", "--output", str(file))
    text, count = re.subn(was, now, file.read_text())
    assert count
    file.write_text(text)
    result = quietcuff("--store", str(tmp_path / "new.db"), "import", str(file))
    assert (result.exit_code, result.stderr.count("\n")) == (1, 1)
    assert "nothing was taken" in result.stderr


@pytest.mark.parametrize(("to", "lines"), [("ndjson", 1), ("ndjson", 3), ("fhir-bulk", 3)])
@pytest.mark.parametrize(
    "broken", [lambda line: line[:-9], lambda line: line.replace(":", "", 1), lambda line: 2 * line]
)
def test_a_first_line_that_is_broken_is_told_as_any_other(
    quietcuff: Run, household: Path, tmp_path: Path, to: str, lines: int, broken: Callable[[str], str]
) -> None:
    """Seen: the file held no FHIR Bundle."""
    first, *more = quietcuff("--store", str(household), "export", "--to", to).stdout.splitlines()
    file = tmp_path / "out.ndjson"
    file.write_text("\n".join([broken(first), *more[: lines - 1]]))
    result = quietcuff("--store", str(tmp_path / "new.db"), "import", str(file))
    assert (result.exit_code, result.stderr.count("\n")) == (1, 1)
    assert "out.ndjson: line 1: not" in result.stderr
    assert "Bundle" not in result.stderr


def test_octets_that_are_no_utf8_are_told_with_their_line(quietcuff: Run, exported: str, tmp_path: Path) -> None:
    file = tmp_path / "out.ndjson"
    file.write_bytes(exported.encode().replace(b"\n", b"\n\xff", 1))
    result = quietcuff("--store", str(tmp_path / "new.db"), "import", str(file))
    assert (result.exit_code, result.stderr.count("\n")) == (1, 1)
    assert "out.ndjson, line 2: not UTF-8" in result.stderr


def test_a_cuff_of_which_no_reading_is(quietcuff: Run, household: Path, tmp_path: Path) -> None:
    said = quietcuff("--store", str(household), "export", "--to", "fhir-bulk").stdout
    file = tmp_path / "out.ndjson"
    devices = [line for line in said.splitlines() if json.loads(line)["resourceType"] == "Device"]
    file.write_text("\n".join(devices).replace("C0-FF-EE-00-00-01", "\\u001b[31m"))
    result = quietcuff("--store", str(tmp_path / "new.db"), "import", str(file))
    assert (result.exit_code, result.stderr.count("\n")) == (1, 1)


def test_standard_input_is_taken(quietcuff: Run, exported: str, tmp_path: Path) -> None:
    result = quietcuff("--store", str(tmp_path / "new.db"), "import", "-", input=exported)
    assert result.exit_code == 0, result.stderr
    assert "taken from standard input" in result.stderr
