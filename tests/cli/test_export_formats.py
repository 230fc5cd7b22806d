"""`export` to every format, and only what is new, over the store of an invented household."""

import io
import json
from collections.abc import Callable
from pathlib import Path

import fhirkit
import pytest
from pyarrow import parquet
from typer.testing import Result

from collector.intake.pipeline import rebuild
from collector.share.export.fhir.parse import parse_bulk, parse_bundle
from collector.share.export.formats import FORMATS
from collector.store.opening import open_store
from collector.store.readings import select

Run = Callable[..., Result]


@pytest.fixture
def at_home(quietcuff: Run, household: Path) -> Run:
    return lambda *args: quietcuff("--store", str(household), *args)


def test_a_bundle_is_valid_and_says_who_collected_what(at_home: Run, household: Path) -> None:
    result = at_home("export", "--to", "fhir")
    assert (result.exit_code, result.stderr) == (0, "")
    assert fhirkit.validate(result.stdout) == []
    resources = [entry["resource"] for entry in json.loads(result.stdout)["entry"]]
    devices = [one for one in resources if one["resourceType"] == "Device"]
    assert len(devices) == 3, "two cuffs and the station"
    looks = [one for one in resources if one.get("code", {}).get("coding", [{}])[0].get("code") == "67975"]
    assert looks, "the cuff's clock was read, so its readings point at that"
    with open_store(household, read_only=True) as store:
        assert list(parse_bundle(io.StringIO(result.stdout))) == list(select(store))


def test_bulk_and_data_points(at_home: Run, household: Path) -> None:
    bulk = at_home("export", "--to", "fhir-bulk").stdout
    with open_store(household, read_only=True) as store:
        assert list(parse_bulk(bulk.splitlines())) == list(select(store))
    points = [json.loads(line) for line in at_home("export", "--to", "omh").stdout.splitlines()]
    assert {point["header"]["schema_id"]["name"] for point in points} == {"blood-pressure", "heart-rate"}


def test_a_transaction_names_its_conditions(at_home: Run) -> None:
    entries = json.loads(at_home("export", "--to", "fhir-transaction", "--cuff", "kitchen").stdout)["entry"]
    assert all(entry["request"]["ifNoneExist"].startswith("identifier=") for entry in entries)


def test_parquet_goes_to_a_file_or_a_pipe(at_home: Run, tmp_path: Path) -> None:
    file = tmp_path / "all.parquet"
    result = at_home("export", "--to", "parquet", "-o", str(file))
    assert (result.exit_code, result.stderr) == (0, f"25 readings written to {file}\n")
    assert parquet.read_table(file).num_rows == 25
    assert file.stat().st_mode & 0o777 == 0o600
    piped = at_home("export", "--to", "parquet")
    assert piped.stdout_bytes == file.read_bytes()


def test_parquet_by_month_is_a_file_a_month_that_can_be_read_as_one(at_home: Run, tmp_path: Path) -> None:
    folder = tmp_path / "months"
    log = tmp_path / "log.csv"
    log.write_text("taken_at,systolic,diastolic\n2021-02-28T23:59+00:00,131,82\n2021-03-01T00:30+01:00,132,83\n")
    assert at_home("import", str(log)).exit_code == 0
    result = at_home("export", "--to", "parquet", "--by-month", "-o", str(folder))
    assert (result.exit_code, result.stderr) == (0, f"27 readings written to {folder}\n")
    assert {"2021-02.parquet"} < {file.name for file in folder.iterdir()}
    assert parquet.read_table(folder / "2021-02.parquet").num_rows == 2, "by UTC, in which no hour comes twice"
    assert parquet.read_table(folder).num_rows == 27
    assert all(file.stat().st_mode & 0o777 == 0o600 for file in folder.iterdir())
    assert folder.stat().st_mode & 0o777 == 0o700


@pytest.mark.parametrize("more", [(), ("-o", "x", "--only-new"), ("-o", "x", "--to", "csv")])
def test_by_month_goes_with_parquet_and_a_folder(at_home: Run, more: tuple[str, ...]) -> None:
    result = at_home("export", "--to", "parquet", "--by-month", *more)
    assert result.exit_code == 2
    assert "--by-month goes with --to parquet and a folder as --output, and without --only-new" in result.stderr


@pytest.mark.parametrize("form", FORMATS)
def test_every_format_is_explained(quietcuff: Run, form: str) -> None:
    assert FORMATS[form].about in quietcuff("export", "--help").stdout


def test_an_average_goes_with_the_readings_it_is_made_of(at_home: Run) -> None:
    assert at_home("person", "add", "mira").exit_code == 0
    assert at_home("person", "give", "mira", "--cuff", "kitchen", "--slot", "1").exit_code == 0
    result = at_home("export", "--to", "fhir", "mira", "--average", "nice-ng136")
    assert fhirkit.validate(result.stdout) == []
    *_, last = json.loads(result.stdout)["entry"]
    assert last["resource"]["code"]["coding"][0]["code"] == "96607-7"
    told = json.loads(at_home("average", "mira", "--protocol", "nice-ng136", "--json").stdout)
    assert len(last["resource"]["derivedFrom"]) == told["used"]
    assert all("reference" in one for one in last["resource"]["derivedFrom"])
    mean = last["resource"]["component"][0]["valueQuantity"]["value"]
    assert mean == pytest.approx(told["systolic"], abs=0.05)
    assert at_home("export", "--to", "csv", "mira", "--average", "nice-ng136").exit_code == 2
    assert at_home("export", "--to", "fhir", "--average", "nice-ng136").exit_code == 2


def test_only_what_is_new(at_home: Run, household: Path) -> None:
    def new(*args: str) -> int:
        result = at_home("export", "--to", "ndjson", "--only-new", *args)
        assert result.exit_code == 0
        return len(result.stdout.splitlines())

    assert new("--cuff", "kitchen") == 24
    assert new() == 1, "the other cuff's"
    assert at_home("export", "--to", "ndjson", "--only-new").stderr == "no new readings\n"
    assert len(at_home("export", "--to", "csv", "--only-new").stdout.splitlines()) == 26, "each format for itself"
    with open_store(household) as store:
        rebuild(store)
    assert new() == 0, "derived again is not new"
    with open_store(household) as store:
        store.query("UPDATE reading SET note = 'after tea' WHERE id = (SELECT max(id) FROM reading)")
    assert new() == 1, "changed is new"


def test_what_was_not_written_stays_new(at_home: Run, tmp_path: Path) -> None:
    assert at_home("export", "--to", "ndjson", "--only-new", "-o", str(tmp_path / "no" / "such")).exit_code == 1
    assert len(at_home("export", "--to", "ndjson", "--only-new").stdout.splitlines()) == 25


def test_bundles_of_few_for_a_server_that_takes_few(at_home: Run) -> None:
    """Each stands alone: what it refers to is in it."""
    lines = at_home("export", "--to", "fhir-transaction", "--batch", "8").stdout.splitlines()
    bundles = [json.loads(line) for line in lines]
    assert len(bundles) == 4
    pressures = 0
    for bundle in bundles:
        urls = {entry["fullUrl"] for entry in bundle["entry"]}
        observations = [one["resource"] for one in bundle["entry"] if one["resource"]["resourceType"] == "Observation"]
        assert all(one["subject"]["reference"] in urls for one in observations)
        pressures += sum("component" in one and "derivedFrom" not in one for one in observations)
    assert pressures == 25
    assert at_home("export", "--to", "csv", "--batch", "8").exit_code == 2


def test_the_schema_is_printed_without_a_store(quietcuff: Run, tmp_path: Path) -> None:
    result = quietcuff("--store", str(tmp_path / "none.db"), "export", "--schema")
    assert set(json.loads(result.stdout)["$defs"]) == {"reading", "withdrawn", "notice"}
