"""Open mHealth data points, held to the public schemas' rules (fixtures/omh/data_points.schema.json)."""

import io
import json
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from one_reading import one_reading

from collector.share.export.context import ExportContext, ExportedCuff, Subject
from collector.share.export.omh import write_omh
from collector.store.values import TAKEN_BACK, Basis, Reading

Make = Callable[..., Reading]
SCHEMA = json.loads((Path(__file__).parents[2] / "fixtures/omh/data_points.schema.json").read_text("utf-8"))


@cache
def validator(part: str = "") -> Any:
    """Of a whole data point, or of a part by its name in the schema. jsonschema with its formats is slow to load, so
    not while tests are collected: every worker collects every file."""
    from jsonschema import Draft7Validator, FormatChecker

    formats = FormatChecker()

    @formats.checks("date-time", raises=ValueError)
    def is_moment(value: object) -> bool:
        return datetime.fromisoformat(str(value)).tzinfo is not None

    rules = {**SCHEMA, "required": [], "properties": {}, "$ref": f"#/definitions/{part}"} if part else SCHEMA
    return Draft7Validator(rules, format_checker=formats)


def points(reading: Reading, context: ExportContext | None = None) -> list[dict[str, Any]]:
    file = io.StringIO()
    write_omh([reading], file, context or ExportContext())
    found = [json.loads(line, parse_float=Decimal) for line in file.getvalue().splitlines()]
    for point in found:
        assert list(validator().iter_errors(point)) == []
        assert list(validator(point["header"]["schema_id"]["name"]).iter_errors(point["body"])) == []
    return found


def test_the_schemas_own_least_body_passes() -> None:
    """openmhealth/schemas, test data of blood-pressure 4.0 that should pass."""
    body = {
        "systolic_blood_pressure": {"value": 115, "unit": "mmHg"},
        "diastolic_blood_pressure": {"value": 60, "unit": "mmHg"},
        "effective_time_frame": {"date_time": "2020-02-05T07:25:00-08:00"},
    }
    assert validator("blood-pressure").is_valid(body)
    for name in body:
        assert not validator("blood-pressure").is_valid({key: value for key, value in body.items() if key != name})
    assert not validator("blood-pressure").is_valid({**body, "systolic_blood_pressure": {"value": 16, "unit": "kPa"}})
    assert not validator("blood-pressure").is_valid(
        {**body, "effective_time_frame": {"date": "2020-02-05", "part_of_day": "morning"}}
    )


def test_a_reading_is_a_pressure_and_a_heart_rate(reading: Make) -> None:
    context = ExportContext(
        cuffs={"C0:FF:EE:00:00:01": ExportedCuff("", None, "Invented Instruments", "Q1")},
        subjects={"mira": Subject("urn:oid:2.999.1", "P-4711")},
    )
    pressure, rate = points(reading(systolic=Decimal("128.0")), context)
    assert pressure["body"] == {
        "systolic_blood_pressure": {"value": 128, "unit": "mmHg"},
        "diastolic_blood_pressure": {"value": 81, "unit": "mmHg"},
        "effective_time_frame": {"date_time": "2031-03-04T07:12:30+01:00"},
    }
    assert str(pressure["body"]["systolic_blood_pressure"]["value"]) == "128.0"
    assert pressure["header"]["schema_id"] == {"namespace": "omh", "name": "blood-pressure", "version": "4.0"}
    assert pressure["header"]["acquisition_provenance"] == {
        "source_data_point_id": "r1",
        "source_creation_date_time": "2031-03-04T07:12:30+01:00",
        "source_name": "Invented Instruments Q1",
        "modality": "sensed",
    }
    assert pressure["header"]["user_id"] == "P-4711"
    assert rate["body"]["heart_rate"] == {"value": 64, "unit": "beats/min"}
    assert rate["header"]["id"] != pressure["header"]["id"]


def test_kilopascals_are_converted(reading: Make) -> None:
    (pressure, _) = points(reading(unit="kPa", systolic=Decimal("16.0"), diastolic=Decimal("10.7")))
    assert pressure["body"]["systolic_blood_pressure"] == {"value": Decimal("120.0"), "unit": "mmHg"}


def test_a_failed_attempt_is_no_pressure(reading: Make) -> None:
    assert points(reading(systolic=None, pulse=None)) == []
    assert [one["header"]["schema_id"]["name"] for one in points(reading(diastolic=None))] == ["heart-rate"]


def test_a_written_log_is_self_reported(reading: Make) -> None:
    (point, _) = points(reading(person="100%s {0}"))
    assert point["header"]["user_id"] == "100%s {0}"
    (point,) = points(reading(cuff="hand", taken_basis=Basis.HAND, person=None, pulse=None))
    assert point["header"]["acquisition_provenance"]["modality"] == "self-reported"
    assert "user_id" not in point["header"]


def test_the_count_is_of_readings_that_gave_a_point(reading: Make) -> None:
    file = io.StringIO()
    assert write_omh([reading(), reading(systolic=None, pulse=None)], file, ExportContext()) == 1
    assert len(file.getvalue().splitlines()) == 2


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    systolic=st.none() | st.decimals(-2047, 20470, places=2),
    pulse=st.none() | st.decimals(0, 300, places=0),
    person=st.text(min_size=1, alphabet=st.characters(exclude_categories=["Cs"])),
    unit=st.sampled_from(["mmHg", "kPa"]),
)
def test_whatever_the_numbers_the_schemas_are_met(
    reading: Make, systolic: Decimal | None, pulse: Decimal | None, person: str, unit: str
) -> None:
    points(reading(systolic=systolic, pulse=pulse, person=person, unit=unit))


def test_our_checks_can_fail() -> None:
    with pytest.raises(AssertionError):
        assert list(validator().iter_errors({"header": {"id": 1}, "body": {}})) == []


@pytest.mark.parametrize("mark", sorted(TAKEN_BACK))
def test_what_was_taken_back_gives_no_point(mark: str) -> None:
    """The schema has no place for saying that it counts no longer."""
    assert points(one_reading(marks=(mark,))) == []
    assert len(points(one_reading(marks=("implausible",)))) == 2
