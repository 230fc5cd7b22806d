"""What the Observations say, held to the HL7 Personal Health Device guide (R4 release) point by point.

The guide's profiles are not in a registry, so its rules are written here in our own words, each with its place.
"""

import io
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from collector.share.export.context import ExportContext, ExportedClock, ExportedCuff, Subject, mmhg
from collector.share.export.fhir import codes
from collector.share.export.fhir.bundle import write_bulk, write_collection
from collector.share.export.fhir.narrative import NAMESPACE, uuid_of
from collector.store.values import STANDING, TAKEN_BACK, Basis, Reading

Make = Callable[..., Reading]
CUFF = "C0:FF:EE:00:00:01"
FACTS = ExportedCuff(CUFF, bytes.fromhex("010000feffeeffc0"), "Invented Instruments", "Q1", "S-17", "2.1", "B", "3")
CONTEXT = ExportContext(
    station="5a" * 16, version="0.1.0", cuffs={CUFF: FACTS}, subjects={"mira": Subject("urn:oid:2.999.1", "P-4711")}
)


def written(reading: Reading, context: ExportContext = CONTEXT) -> dict[str, dict[str, Any]]:
    """Resources by what they are: patient, cuff, gateway, pressure, pulse, status, look."""
    file = io.StringIO()
    write_collection([reading], file, context)
    found: dict[str, dict[str, Any]] = {}
    for entry in json.loads(file.getvalue(), parse_float=Decimal)["entry"]:
        resource = entry["resource"]
        code = (resource.get("code") or resource.get("type") or {"coding": [{"code": "patient"}]})["coding"][0]["code"]
        name = {
            "patient": "patient",
            "65573": "cuff",
            "531981": "gateway",
            "150020": "pressure",
            "149546": "pulse",
            "8410608": "status",
            "67975": "look",
        }[code]
        assert name not in found
        found[name] = {**resource, "fullUrl": entry["fullUrl"]}
    return found


def coding(concept: Any) -> set[tuple[str, str]]:
    return {(one["system"], one["code"]) for one in concept["coding"]}


@pytest.mark.parametrize(("unit", "systolic", "diastolic"), [("kPa", "16.0", "10.7"), ("mmHg", "120.0", "80.3")])
def test_pressures_go_out_in_mmhg_whatever_the_cuff_sent(
    reading: Make, unit: str, systolic: str, diastolic: str
) -> None:
    """16 kPa × 7.50061575846 = 120.0 and 10.7 kPa = 80.3 mmHg (the factor: see below)."""
    sent = reading(unit=unit, systolic=Decimal(systolic), diastolic=Decimal(diastolic), mean=None)
    quantities = [part["valueQuantity"] for part in written(sent)["pressure"]["component"][:2]]
    assert [(str(one["value"]), one["code"]) for one in quantities] == [("120.0", "mm[Hg]"), ("80.3", "mm[Hg]")]


def test_a_pressure_bears_both_code_systems(reading: Make) -> None:
    """Compound numeric observation: MDC code beside LOINC, component by component; no value of its own."""
    one = written(reading())["pressure"]
    assert coding(one["code"]) == {(codes.MDC, "150020"), (codes.LOINC, "85354-9")}
    assert [coding(part["code"]) for part in one["component"]] == [
        {(codes.MDC, "150021"), (codes.LOINC, "8480-6")},
        {(codes.MDC, "150022"), (codes.LOINC, "8462-4")},
        {(codes.MDC, "150023"), (codes.LOINC, "8478-0")},
    ]
    assert not any(key.startswith("value") for key in one)
    assert one["status"] == "final"
    categories = [coding(category) for category in one["category"]]
    assert categories.count({(codes.PHD_CATEGORIES, "phd")}) == 1
    assert {(codes.CATEGORY, "vital-signs")} in categories


def test_subject_device_gateway_and_time_are_there(reading: Make) -> None:
    """Base observation: subject, device and gateway once each, a time with its offset."""
    found = written(reading())
    one = found["pressure"]
    assert one["subject"]["reference"] == found["patient"]["fullUrl"]
    assert one["device"]["reference"] == found["cuff"]["fullUrl"]
    gateways = [part for part in one["extension"] if part["url"] == codes.GATEWAY]
    assert [part["valueReference"]["reference"] for part in gateways] == [found["gateway"]["fullUrl"]]
    assert one["effectiveDateTime"] == "2031-03-04T07:12:30+01:00"
    assert one["issued"] == "2031-03-04T06:13:05.123456Z"


@pytest.mark.parametrize("sent", ["2", "2.0", "2.00", "120", "120.0", "0.00000120", "-0.1", "20450000000"])
def test_the_precision_of_the_sfloat_stays(reading: Make, sent: str) -> None:
    """The guide, page FLOATs: 2, 2.0 and 2.00 are to be written as they came."""
    file = io.StringIO()
    write_collection([reading(systolic=Decimal(sent))], file, CONTEXT)
    assert f'"value":{sent},' in file.getvalue()


def test_special_values_become_reasons(reading: Make) -> None:
    """Numeric profiles: NaN and the infinities have codes of their own, NRes and reserved are 'error'."""
    reasons = {"systolic": "not-a-number", "diastolic": "positive-infinity", "pulse": "negative-infinity"}
    context = replace(CONTEXT, absent=lambda one: reasons)
    found = written(reading(systolic=None, diastolic=None, mean=None, pulse=None), context)
    told = [part["dataAbsentReason"]["coding"] for part in found["pressure"]["component"]]
    assert [one[0]["code"] for one in told] == ["not-a-number", "positive-infinity", "error"]
    assert {one[0]["system"] for one in told} == {codes.ABSENT}
    assert all("valueQuantity" not in part for part in found["pressure"]["component"])
    assert found["pulse"]["dataAbsentReason"]["coding"][0]["code"] == "negative-infinity"


def test_no_pulse_no_observation(reading: Make) -> None:
    assert "pulse" not in written(reading(pulse=None))


def test_the_pulse_is_its_own_observation(reading: Make) -> None:
    """Consuming the profiles, table of vital signs: MDC 149546 with LOINC 8867-4, per minute."""
    one = written(reading(pulse=Decimal("64.0")))["pulse"]
    assert coding(one["code"]) == {(codes.MDC, "149546"), (codes.LOINC, "8867-4")}
    assert one["valueQuantity"] == {"value": Decimal("64.0"), "unit": "beats/min", "system": codes.UCUM, "code": "/min"}
    assert str(one["valueQuantity"]["value"]) == "64.0"


def test_the_status_is_its_own_observation(reading: Make) -> None:
    """Bits enumeration: one component a bit that is set, derived from the blood pressure."""
    found = written(reading(status=("body movement", "pulse below range"), status_raw=0x11))
    one = found["status"]
    assert coding(one["code"]) == {(codes.MDC, "8410608")}
    assert [coding(part["code"]) for part in one["component"]] == [
        {(codes.STATUS_BITS, "8410608.0")},
        {(codes.STATUS_BITS, "8410608.4")},
    ]
    assert all(part["valueBoolean"] is True for part in one["component"])
    assert one["derivedFrom"] == [{"reference": found["pressure"]["fullUrl"]}]
    assert "status" not in written(reading())


@pytest.mark.parametrize("mark", sorted(TAKEN_BACK))
def test_what_was_taken_back_is_entered_in_error(reading: Make, mark: str) -> None:
    """Whoever does not know our extension would count it (ObservationStatus, R4)."""
    marked = written(reading(marks=("clock changed", mark), status=("body movement",), status_raw=1))
    assert [marked[name]["status"] for name in ("pressure", "pulse", "status")] == ["entered-in-error"] * 3
    assert written(reading(marks=(STANDING, "implausible")))["pressure"]["status"] == "final"


def test_a_cuff_is_a_device_with_both_identifiers(reading: Make) -> None:
    """Device profile: System ID highest octet first with dashes, Bluetooth address, type and specialization."""
    one = written(reading())["cuff"]
    assert [(part["type"]["coding"][0]["code"], part["system"], part["value"]) for part in one["identifier"]] == [
        ("SYSID", codes.SYSTEM_ID, "C0-FF-EE-FF-FE-00-00-01"),
        ("BTMAC", codes.BLUETOOTH, "C0-FF-EE-00-00-01"),
    ]
    assert one["meta"]["profile"] == [codes.PHD_PROFILE + "PhdDevice"]
    assert coding(one["specialization"][0]["systemType"]) == {(codes.MDC, "528391")}
    assert {part["type"]["coding"][0]["code"]: part["value"] for part in one["version"]} == {
        "531974": "B",
        "531975": "3",
        "531976": "2.1",
    }


def test_a_cuff_that_tells_nothing_claims_nothing(reading: Make) -> None:
    """Device profile: without a System ID it is all zeros; maker and model are required to claim the profile."""
    one = written(reading(), ExportContext())["cuff"]
    assert one["identifier"][0]["value"] == "00-00-00-00-00-00-00-00"
    assert "meta" not in one


def test_an_unknown_person_is_the_guides_unknown_patient(reading: Make) -> None:
    (identifier,) = written(reading(person=None))["patient"]["identifier"]
    assert (identifier["system"], identifier["value"]) == (codes.PATIENT_CLASS, "U")


def test_a_person_is_an_identifier_and_nothing_else(reading: Make) -> None:
    one = written(reading())["patient"]
    assert set(one) == {"resourceType", "id", "meta", "identifier", "fullUrl"}
    assert "mira" not in json.dumps(one)


def test_a_coincident_time_stamp_goes_with_a_corrected_time(reading: Make) -> None:
    """Coincident time stamp: the cuff's clock as value, ours as effective time, subject the cuff."""
    clocks = [
        ExportedClock(1, CUFF, datetime(2031, 3, 3, 6, 0, tzinfo=UTC), datetime(2031, 3, 3, 6, 59)),
        ExportedClock(2, CUFF, datetime.fromisoformat("2031-03-04T07:12:50+01:00"), datetime(2031, 3, 4, 7, 12, 18)),
    ]
    found = written(reading(), replace(CONTEXT, clock_reading=lambda _: clocks[-1]))
    look = found["look"]
    assert (look["effectiveDateTime"], look["valueDateTime"]) == (
        "2031-03-04T07:12:50+01:00",
        "2031-03-04T07:12:18+01:00",
    )
    assert look["subject"]["reference"] == found["cuff"]["fullUrl"]
    assert look["device"]["reference"] == found["gateway"]["fullUrl"]
    pointers = [
        part["valueReference"]["reference"]
        for part in found["pressure"]["extension"]
        if part["url"] == codes.COINCIDENT
    ]
    assert pointers == [look["fullUrl"]]
    assert "look" not in written(
        reading(taken_basis=Basis.ARRIVAL), replace(CONTEXT, clock_reading=lambda _: clocks[-1])
    )


def test_a_cuff_without_clock_has_a_time_fault(reading: Make) -> None:
    clocks = [ExportedClock(1, CUFF, datetime(2031, 3, 4, 6, 0, tzinfo=UTC), None)]
    look = written(reading(), replace(CONTEXT, clock_reading=lambda _: clocks[-1]))["look"]
    assert look["dataAbsentReason"]["coding"][0]["code"] == "unknown"
    assert "valueDateTime" not in look


def test_the_guides_identifier_is_made_of_the_cuffs_own_stamp(reading: Make) -> None:
    """Generating the time stamp part: seconds since 2000 as the sensor reported them, not as corrected."""
    one = written(reading(stamp="2021-11-22T11:56:00"))["pressure"]
    # The guide's worked number: 690897360 for this moment (its text says 30 s later).
    own = {part["system"]: part["value"] for part in one["identifier"]}
    assert own[codes.PHD_IDENTIFIER] == "C0FFEEFFFE000001-P-4711-urn:oid:2.999.1-150020-690897360"
    assert own[codes.READING_SYSTEM] == "r1"
    for stamp in (None, "2021-11---T11:56:00"):
        assert len(written(reading(stamp=stamp))["pressure"]["identifier"]) == 1


def test_written_by_hand_is_no_device_observation(reading: Make) -> None:
    found = written(reading(cuff="hand", mean=None, stamp=None, note="after tea"))
    assert set(found) == {"patient", "pressure", "pulse"}
    one = found["pressure"]
    assert one["meta"]["profile"] == [codes.BP_PROFILE]
    assert one["note"] == [{"text": "after tea"}]
    assert len(one["component"]) == 2


def test_kilopascals_become_millimetres_of_mercury(reading: Make) -> None:
    """1 kPa = 7.50061575846 mmHg; as many decimals as were sent, so that nothing falls together."""
    assert mmhg(Decimal("16.0"), "kPa") == Decimal("120.0")
    assert str(mmhg(Decimal("18.9"), "kPa")) == "141.8"
    assert str(mmhg(Decimal("16"), "kPa")) == "120"
    assert mmhg(Decimal("18.9"), "mmHg") == Decimal("18.9")
    tenths = [mmhg(Decimal(n) / 10, "kPa") for n in range(400)]
    assert len(set(tenths)) == 400


def test_references_in_bulk_are_relative(reading: Make) -> None:
    """Bulk Data Access guide: NDJSON resources refer to each other by type and id."""
    file = io.StringIO()
    write_bulk([reading()], file, CONTEXT)
    lines = [json.loads(line) for line in file.getvalue().splitlines()]
    known = {f"{one['resourceType']}/{one['id']}" for one in lines}
    pressure = next(one for one in lines if codes.BP_PROFILE in one.get("meta", {}).get("profile", ()))
    assert {pressure["subject"]["reference"], pressure["device"]["reference"]} <= known


def test_our_uuids_are_the_standards_version_five() -> None:
    from uuid import uuid5

    assert uuid_of("reading r1") == str(uuid5(NAMESPACE, "reading r1"))
