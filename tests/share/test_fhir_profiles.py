"""Every Observation against an independent FHIR R4 library and against the core profiles' own rules.

Rules: HL7 FHIR R4 4.0.1, StructureDefinitions bp and heartrate (fixtures/fhir/r4_vital_signs.json).
"""

import copy
import io
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import fhirkit
import pytest
from fhir.resources.R4B.bundle import Bundle
from fhir_profile import problems
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.share.export.context import ExportContext, ExportedClock, ExportedCuff, Subject
from collector.share.export.fhir import codes
from collector.share.export.fhir.bundle import write_bulk, write_collection, write_transaction
from collector.store.values import Basis, Reading

Make = Callable[..., Reading]
CUFF = "C0:FF:EE:00:00:01"
CONTEXT = ExportContext(
    station="5a" * 16,
    version="0.1.0",
    cuffs={CUFF: ExportedCuff(CUFF, bytes.fromhex("010203feffeeffc0"), "Invented Instruments", "Q1", "S-17", "2.1")},
    clock_reading=lambda _: ExportedClock(
        1, CUFF, datetime(2031, 3, 4, 6, 12, 50, tzinfo=UTC), datetime(2031, 3, 4, 7, 12, 18)
    ),
    subjects={"mira": Subject("urn:oid:2.999.1", "P-4711")},  # 2.999: the OID arc for examples (ITU-T X.660)
)


def written(readings: list[Reading], context: ExportContext = CONTEXT) -> list[dict[str, Any]]:
    file = io.StringIO()
    write_collection(readings, file, context)
    return [entry["resource"] for entry in json.loads(file.getvalue(), parse_float=Decimal).get("entry", [])]


@pytest.fixture
def awkward(reading: Make) -> list[Reading]:
    """Readings that differ in everything that can differ."""
    return [
        reading(),
        reading(reading_id="a1", unit="kPa", systolic=Decimal("17.1"), diastolic=Decimal("10.8"), mean=Decimal("12.9")),
        reading(reading_id="a2", systolic=None, diastolic=None, mean=None, pulse=None, marks=("failed",)),
        reading(reading_id="a3", person=None, slot=255, pulse=None),
        reading(reading_id="a4", status=("body movement", "irregular pulse", "improper position"), status_raw=0x25),
        reading(
            reading_id="a5",
            cuff="hand",
            slot=None,
            mean=None,
            stamp=None,
            status_raw=None,
            features_known=False,
            assessed=(),
            taken_basis=Basis.HAND,
            taken_uncertainty_s=None,
            note='after "tea" \u2028 <&> é',
        ),
        reading(
            reading_id="a6",
            systolic=Decimal("128.0"),
            diastolic=Decimal("8E+1"),
            stamp="2031-03---T--:--:--",
            taken_basis=Basis.ARRIVAL,
        ),
        reading(reading_id="a7", cuff="C0:FF:EE:00:00:02", taken_at=datetime(2031, 3, 5, 8, 0, 0, 250000, tzinfo=UTC)),
    ]


def test_an_independent_r4_library_accepts_all_of_it(awkward: list[Reading]) -> None:
    for write in (write_collection, write_transaction):
        file = io.StringIO()
        assert write(awkward, file, CONTEXT) == len(awkward)
        assert fhirkit.validate(file.getvalue()) == []
        Bundle.model_validate_json(file.getvalue())  # R4B, which differs from R4 in none of the resources used
    file = io.StringIO()
    write_bulk(awkward, file, CONTEXT)
    assert [issue for line in file.getvalue().splitlines() for issue in fhirkit.validate(line)] == []


def test_the_library_would_object(awkward: list[Reading]) -> None:
    resource = next(one for one in written(awkward) if one["resourceType"] == "Observation")
    del resource["status"]
    assert fhirkit.validate(json.dumps(resource, default=str))


def test_every_profile_that_is_claimed_is_met(awkward: list[Reading]) -> None:
    checked = 0
    for resource in written(awkward):
        for profile in resource.get("meta", {}).get("profile", ()):
            if profile in (codes.BP_PROFILE, codes.PULSE_PROFILE):
                assert problems(resource, profile) == [], resource
                checked += 1
    assert checked == 8 + 6  # a blood pressure each, a pulse each but for two


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (lambda one: one["component"].pop(0), "component:SystolicBP: at least 1"),
        (lambda one: one["component"][1]["valueQuantity"].update(code="kPa"), "must be 'mm[Hg]'"),
        (lambda one: one["component"][2].pop("valueQuantity"), "vs-3"),
        (lambda one: one.update(effectiveDateTime="2031"), "vs-1"),
        (lambda one: one.update(valueString="120/80"), "valueString is not allowed"),
        (lambda one: one["category"].pop(0), "category:VSCat: at least 1"),
        (lambda one: one["code"]["coding"].pop(1), "BPCode: at least 1"),
        (lambda one: one.pop("subject"), "subject: at least 1"),
        (lambda one: one.update(component=one["component"][:1]), "component: at least 2"),
    ],
)
def test_the_rules_would_object(reading: Make, change: Callable[[Any], Any], complaint: str) -> None:
    (resource,) = [one for one in written([reading()]) if codes.BP_PROFILE in one.get("meta", {}).get("profile", ())]
    broken = copy.deepcopy(resource)
    change(broken)
    assert complaint in "\n".join(problems(broken, codes.BP_PROFILE))
    assert problems(resource, codes.BP_PROFILE) == []


NUMBERS = st.decimals(allow_nan=False, allow_infinity=False, min_value=-2047, max_value=20470, places=1) | st.none()


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    systolic=NUMBERS,
    diastolic=NUMBERS,
    mean=NUMBERS,
    pulse=NUMBERS,
    unit=st.sampled_from(["mmHg", "kPa"]),
    person=st.text(min_size=1, alphabet=st.characters(exclude_categories=["Cc", "Cs"])).map(str.strip).filter(bool),
    minutes=st.integers(0, 10**6),
)
def test_whatever_the_numbers_the_profiles_are_met(
    reading: Make,
    systolic: Decimal | None,
    diastolic: Decimal | None,
    mean: Decimal | None,
    pulse: Decimal | None,
    unit: str,
    person: str,
    minutes: int,
) -> None:
    one = reading(systolic=systolic, diastolic=diastolic, mean=mean, pulse=pulse, unit=unit, person=person)
    changed = reading(
        **{name: getattr(one, name) for name in ("systolic", "diastolic", "mean", "pulse", "unit", "person")},
        taken_at=one.taken_at + timedelta(minutes=minutes),
    )
    file = io.StringIO()
    write_transaction([changed], file, CONTEXT)
    assert fhirkit.validate(file.getvalue()) == []
    for resource in written([changed]):
        for profile in resource.get("meta", {}).get("profile", ()):
            if profile in (codes.BP_PROFILE, codes.PULSE_PROFILE):
                assert problems(resource, profile) == []
