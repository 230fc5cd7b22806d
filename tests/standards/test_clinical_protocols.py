"""The published protocols on worked cases; each file in fixtures/protocols names its source."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from homeseries import series

from collector.numbers.average import Average, average, estimated_mean_pressure
from collector.numbers.custom import custom
from collector.numbers.levels import OFFICE_TO_HOME, acc_aha_office_class, esh_office_class, is_very_high, office_of
from collector.numbers.protocols import protocol
from collector.numbers.rules import Protocol
from collector.numbers.values import Pressures, mean_of

FOLDER = Path(__file__).parents[2] / "fixtures" / "protocols"
CASES = {path.stem: json.loads(path.read_text("utf-8")) for path in sorted(FOLDER.glob("*.json"))}
SERIES = {name: case for name, case in CASES.items() if "readings" in case}
BOUNDS = CASES["bounds"]


def rules(case: dict[str, Any]) -> Protocol:
    return custom(case["custom"]) if case["protocol"] == "custom" else protocol(case["protocol"])


def exact(value: Any) -> Decimal:
    """A number as the case gives it: whole, as text, or as [sum, count]."""
    if isinstance(value, list):
        return Decimal(value[0]) / Decimal(value[1])
    return Decimal(str(value))


@pytest.fixture(params=list(SERIES))
def case(request: pytest.FixtureRequest) -> dict[str, Any]:
    found: dict[str, Any] = SERIES[request.param]
    return found


def test_cases_are_there_and_name_their_sources() -> None:
    assert len(SERIES) >= 15
    for case in CASES.values():
        assert case["source"]


def test_counts_means_and_verdict(case: dict[str, Any]) -> None:
    wanted = dict(case["expected"])
    found = average(series(case["readings"]), rules(case))
    for name in (
        "taken",
        "used",
        "days",
        "valid",
        "complete",
        "at_or_above",
        "morning_at_or_above",
        "evening_at_or_above",
        "decides",
    ):
        if name in wanted:
            assert getattr(found, name) == wanted[name], name
    for name in ("systolic", "diastolic"):
        if name in wanted:
            assert getattr(found, name) == exact(wanted[name]), name
    for name in ("morning", "evening", "pooled", "of_sessions"):
        if name in wanted:
            mean = getattr(found, name)
            assert [mean.systolic, mean.diastolic] == [exact(value) for value in wanted[name]], name
    if "short_of" in wanted:
        assert list(found.short_of) == wanted["short_of"]
    if "morning_minus_evening" in wanted:
        assert found.morning_minus_evening is not None
        assert [found.morning_minus_evening.systolic, found.morning_minus_evening.diastolic] == wanted[
            "morning_minus_evening"
        ]
    assert len(found.used_ids) + len(found.excluded) == found.taken


@pytest.mark.parametrize("name", [name for name in SERIES if name.startswith("whole-week-")])
def test_leaving_out_day_1_changes_the_answer(name: str) -> None:
    case = SERIES[name]
    wanted = case["expected"]["with_day_1"]
    kept = custom({"name": "with-day-1", "based_on": case["protocol"], "drop_days": []})
    found = average(series(case["readings"]), kept)
    assert (found.systolic, found.diastolic) == (exact(wanted["systolic"]), exact(wanted["diastolic"]))
    assert found.at_or_above is wanted["at_or_above"]
    assert average(series(case["readings"]), rules(case)).at_or_above is not wanted["at_or_above"]


def test_variability_depends_on_the_order_where_it_should() -> None:
    case = SERIES["one-a-day"]
    wanted = case["expected"]
    found = average(series(case["readings"]), rules(case))
    assert found.spread.unit == "day means"
    assert found.sd
    assert found.cv
    assert found.arv
    assert found.spread.rmssd
    assert (found.sd.systolic, found.cv.systolic, found.arv.systolic, found.spread.rmssd.systolic) == pytest.approx(
        (wanted["sd"], wanted["cv"], wanted["arv"], wanted["rmssd"]), abs=1e-6
    )
    ordered = sorted(row[2] for row in case["readings"])
    resorted = average(series([[day + 1, "morning", value, 80] for day, value in enumerate(ordered)]), rules(case))
    assert resorted.arv
    assert resorted.sd
    told = (resorted.arv.systolic, resorted.sd.systolic)
    assert told == pytest.approx((wanted["sorted_arv"], wanted["sd"]), abs=1e-6)


def test_load_counts_each_pressure_and_the_last_ten() -> None:
    case = SERIES["three-of-the-last-ten"]
    load = average(series(case["readings"]), rules(case)).load
    assert {name: getattr(load, name) for name in case["expected"]["load"]} == case["expected"]["load"]


def test_the_interchange_guides_week_gives_its_printed_systolic() -> None:
    case = SERIES["hl7-example-week"]
    found = average(series(case["readings"]), rules(case))
    assert found.systolic is not None
    assert int(found.systolic) == case["expected"]["published_systolic"]
    two_days = mean_of(Decimal(row[2]) for row in case["readings"] if row[0] <= 2)
    assert int(two_days) == case["expected"]["published_first_two_days_systolic"]


@pytest.mark.parametrize("table", BOUNDS["tables"], ids=lambda table: table["name"])
def test_a_mean_is_compared_unrounded_and_either_value_suffices(table: dict[str, Any]) -> None:
    bound = Pressures(*map(Decimal, table["threshold"]))
    for systolic, diastolic, reached in table["rows"]:
        assert bound.reached_by(Decimal(systolic), Decimal(diastolic)) is reached, (systolic, diastolic)
        single = custom({"name": "single", "threshold": table["threshold"], "min_days": 1, "preferred_days": 1})
        found: Average = average(series([[1, "morning", systolic, diastolic]]), single)
        assert found.at_or_above is reached


def test_office_classes_at_their_bounds() -> None:
    for systolic, diastolic, name in BOUNDS["acc_aha_office"]["rows"]:
        assert acc_aha_office_class(Decimal(systolic), Decimal(diastolic)) == name, (systolic, diastolic)
    for systolic, diastolic, name in BOUNDS["esh_office"]["rows"]:
        assert esh_office_class(Decimal(systolic), Decimal(diastolic)) == name, (systolic, diastolic)


def test_office_values_and_what_they_are_at_home() -> None:
    rows = BOUNDS["office_to_home"]["rows"]
    assert [
        [int(value) for pair in pairs for value in (pair.systolic, pair.diastolic)] for pairs in OFFICE_TO_HOME
    ] == rows
    assert str(office_of(protocol("esh-2023").threshold)) == "140/90"
    assert office_of(Pressures(Decimal(131), Decimal(81))) is None


def test_very_high_is_either_value_bounds_included() -> None:
    for systolic, diastolic, wanted in BOUNDS["very_high"]["rows"]:
        assert is_very_high(Decimal(systolic), Decimal(diastolic)) is wanted, (systolic, diastolic)
    assert is_very_high(None, Decimal(120))
    assert not is_very_high(None, None)


def test_pulse_pressure_and_the_estimated_mean_pressure() -> None:
    single = custom({"name": "single", "threshold": [135, 85], "min_days": 1, "preferred_days": 1})
    for systolic, diastolic, pulse_pressure, mean in BOUNDS["pulse_pressure_and_mean_pressure"]["rows"]:
        found = average(series([[1, "morning", systolic, diastolic]]), single)
        assert found.pulse_pressure == pulse_pressure
        assert found.mean_pressure == estimated_mean_pressure(Decimal(systolic), Decimal(diastolic))
        assert round(found.mean_pressure or 0, 4) == Decimal(mean)
