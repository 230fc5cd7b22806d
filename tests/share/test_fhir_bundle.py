"""Bundles as a whole: streamed, sent twice without harm, and read back as the same readings."""

import io
import json
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import fhirkit
import pytest
from fhir_profile import problems
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.share.export.context import (
    AverageResult,
    ExchangeError,
    ExportContext,
    ExportedClock,
    ExportedCuff,
    Subject,
)
from collector.share.export.fhir import codes
from collector.share.export.fhir.bundle import write_bulk, write_collection, write_transaction
from collector.share.export.fhir.parse import parse_bulk, parse_bundle
from collector.store.values import Basis, Reading

Make = Callable[..., Reading]
CUFF = "C0:FF:EE:00:00:01"
CONTEXT = ExportContext(
    station="5a" * 16,
    version="0.1.0",
    cuffs={CUFF: ExportedCuff(CUFF, bytes(8))},
    clock_reading=lambda _: ExportedClock(
        1, CUFF, datetime(2031, 3, 4, 6, 12, 50, tzinfo=UTC), datetime(2031, 3, 4, 7, 12, 18)
    ),
    subjects={"mira": Subject("urn:oid:2.999.1", "P-4711")},
)
AVERAGE = AverageResult(
    "mira",
    "invented seven days",
    Decimal("128.4"),
    Decimal("81.0"),
    2,
    datetime(2031, 3, 4, tzinfo=UTC),
    datetime(2031, 3, 11, tzinfo=UTC),
    datetime(2031, 3, 12, 9, tzinfo=UTC),
    ("r1", "elsewhere"),
    Decimal("64"),
)


def text_of(write: Callable[..., int], readings: list[Reading], context: ExportContext = CONTEXT) -> str:
    file = io.StringIO()
    assert write(readings, file, context) == len(readings)
    return file.getvalue()


def test_nothing_to_write_is_a_bundle_without_entries() -> None:
    """An empty list is no FHIR JSON."""
    assert json.loads(text_of(write_collection, [])) == {"resourceType": "Bundle", "type": "collection"}
    assert fhirkit.validate(text_of(write_collection, [])) == []
    assert list(parse_bundle(io.StringIO(text_of(write_collection, [])))) == []
    assert text_of(write_bulk, []) == ""


def test_every_entry_of_a_transaction_is_a_conditional_create(reading: Make) -> None:
    """FHIR R4, http, conditional create: the server looks for the identifier and creates only where it is new."""
    readings = [
        reading(),
        reading(reading_id="r2", status=("irregular pulse",)),
        reading(reading_id="r3", person="bo & co, 1|2$"),
    ]
    entries = json.loads(text_of(write_transaction, readings))["entry"]
    conditions = [entry["request"]["ifNoneExist"] for entry in entries]
    assert len(set(conditions)) == len(conditions)
    assert all(entry["request"]["method"] == "POST" for entry in entries)
    assert all(entry["request"]["url"] == entry["resource"]["resourceType"] for entry in entries)
    assert "identifier=" + codes.READING_SYSTEM + "|r1" in conditions
    assert "identifier=" + codes.PERSON_SYSTEM + "|bo%20%26%20co%5C%2C%201%5C%7C2%5C%24" in conditions
    for entry in entries:
        system, value = entry["request"]["ifNoneExist"].removeprefix("identifier=").split("|")
        assert any(one["system"] == system for one in entry["resource"]["identifier"])
        assert value


def test_nothing_is_referred_to_before_it_was_written(reading: Make) -> None:
    readings = [reading(), reading(reading_id="r2", person=None, cuff="C0:FF:EE:00:00:02")]
    known: set[str] = set()
    for entry in json.loads(text_of(write_collection, readings, CONTEXT))["entry"]:
        for reference in _references(entry["resource"]):
            assert reference in known
        known.add(entry["fullUrl"])
        assert entry["fullUrl"] == "urn:uuid:" + entry["resource"]["id"]


def _references(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value["reference"]
        for one in value.values():
            yield from _references(one)
    elif isinstance(value, list):
        for one in value:
            yield from _references(one)


def test_the_same_readings_are_the_same_text(reading: Make) -> None:
    readings = [reading(), reading(reading_id="r2")]
    assert text_of(write_transaction, readings) == text_of(write_transaction, readings)


def test_an_average_is_derived_from_its_readings(reading: Make) -> None:
    """CardX hypertension guide 1.0.0, average profile: count, period, panel of means, patient as performer."""
    context = ExportContext(averages=[AVERAGE])
    *_, entry = json.loads(text_of(write_collection, [reading()], context), parse_float=Decimal)["entry"]
    one = entry["resource"]
    assert one["code"]["coding"] == [
        {"system": codes.LOINC, "code": "96607-7", "display": "Blood pressure panel mean systolic and mean diastolic"}
    ]
    assert one["effectivePeriod"] == {"start": "2031-03-04T00:00:00+00:00", "end": "2031-03-11T00:00:00+00:00"}
    assert [(part["code"]["coding"][0]["code"], str(part["valueQuantity"]["value"])) for part in one["component"]] == [
        ("96608-5", "128.4"),
        ("96609-3", "81.0"),
        ("8867-4", "64"),
    ]
    assert one["performer"] == [one["subject"]]
    inside, outside = one["derivedFrom"]
    assert "reference" in inside
    assert outside["identifier"] == {"system": codes.READING_SYSTEM, "value": "elsewhere"}
    assert one["extension"][0]["valueQuantity"] == {"value": 2}
    assert problems(one, codes.VITALS_PROFILE) == []
    assert fhirkit.validate(text_of(write_transaction, [reading()], context)) == []


def test_memory_does_not_grow_with_the_readings(reading: Make) -> None:
    class Nowhere(io.StringIO):
        def write(self, text: str) -> int:
            return len(text)

    def peak(count: int) -> int:
        one = reading()
        many = (reading(reading_id=f"{n:016x}", taken_at=one.taken_at + timedelta(minutes=n)) for n in range(count))
        tracemalloc.start()
        write_transaction(many, Nowhere(), CONTEXT)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    peak(10)  # what is made once
    assert peak(1500) < peak(300) + 200_000


def awkward(reading: Make) -> list[Reading]:
    lisbon = ZoneInfo("Europe/Lisbon")
    return [
        reading(),
        reading(reading_id="a1", unit="kPa", systolic=Decimal("17.10"), diastolic=Decimal("10.8"), mean=None),
        reading(reading_id="a2", systolic=None, diastolic=None, mean=None, pulse=None, marks=("failed", "unencrypted")),
        reading(reading_id="a3", person=None, slot=255, taken_at=datetime(2031, 10, 26, 1, 30, tzinfo=lisbon, fold=1)),
        reading(reading_id="a4", status=("body movement", "irregular pulse"), status_raw=0x25, sightings=7),
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
            note='after "tea"\n é',
            payload="7b7d",
        ),
        reading(reading_id="a6", cuff="DA:00:00:00:00:07", taken_at=datetime(2031, 3, 5, 8, 0, 0, 250000, tzinfo=UTC)),
        reading(reading_id="a7", slot=0, person="José Ω", pulse=Decimal("64.0")),
    ]


@pytest.mark.parametrize("write", [write_collection, write_transaction])
def test_a_bundle_read_back_is_the_same_readings_and_the_same_bundle(reading: Make, write: Callable[..., int]) -> None:
    readings = awkward(reading)
    text = text_of(write, readings)
    back = list(parse_bundle(io.StringIO(text), CONTEXT))
    assert back == readings
    assert [one.taken_at.isoformat() for one in back] == [one.taken_at.isoformat() for one in readings]
    assert [str(one.systolic) for one in back] == [str(one.systolic) for one in readings]
    assert text_of(write, back) == text


def test_bulk_read_back_is_the_same(reading: Make) -> None:
    text = text_of(write_bulk, awkward(reading))
    back = list(parse_bulk(io.StringIO(text), CONTEXT))
    assert back == awkward(reading)
    assert text_of(write_bulk, back) == text


def test_another_layout_of_the_same_bundle_reads_the_same(reading: Make) -> None:
    bundle = json.loads(text_of(write_collection, awkward(reading)), parse_float=lambda digits: float(digits))
    turned = {"entry": bundle["entry"], "total": 8, "type": "searchset", "resourceType": "Bundle"}
    back = list(parse_bundle(io.StringIO(json.dumps(turned, indent=4, ensure_ascii=False)), CONTEXT))
    assert [one.reading_id for one in back] == [one.reading_id for one in awkward(reading)]


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    note=st.none() | st.text(min_size=1, alphabet=st.characters(exclude_categories=["Cs"])),
    systolic=st.none() | st.decimals(-2047, 2047, places=2, allow_nan=False),
    unit=st.sampled_from(["mmHg", "kPa"]),
    at=st.datetimes(datetime(2000, 1, 1), datetime(2090, 1, 1), timezones=st.timezones(), allow_imaginary=False),
    slot=st.none() | st.integers(0, 255),
)
def test_whatever_a_reading_says_comes_back(
    reading: Make, note: str | None, systolic: Decimal | None, unit: str, at: datetime, slot: int | None
) -> None:
    one = reading(note=note, systolic=systolic, unit=unit, taken_at=at, slot=slot)
    (back,) = parse_bundle(io.StringIO(text_of(write_collection, [one])), CONTEXT)
    assert back == one
    assert text_of(write_collection, [back]) == text_of(write_collection, [one])


@pytest.mark.parametrize(
    ("spoil", "complaint"),
    [
        (lambda text: text[: len(text) // 2], "cut off"),
        (lambda text: "", "missing"),
        (lambda text: "[1, 2]", "missing"),
        (lambda text: '{"resourceType": "Patient"}', "no FHIR Bundle"),
        (lambda text: text.replace(codes.AS_COLLECTED, "urn:other"), "entry 4: reading r1 has lost"),
        (lambda text: text.replace('"url":"basis"', '"url":"bases"'), "entry 4: not as quietcuff writes it"),
        (
            lambda text: text.replace(codes.READING_SYSTEM, "urn:other"),
            "entry 4: a blood pressure that quietcuff did not",
        ),
        (lambda text: text.replace('"code":"mm[Hg]"', '"code":"kPa"'), "entry 4: systolic is in 'kPa', not mm"),
        (
            lambda text: text.replace(
                '"unit":"mmHg","system":"http://unitsofmeasure.org","code":"mm[Hg]"', '"unit":"kPa"'
            ),
            "entry 4: systolic is in 'kPa', not mm",
        ),
        (lambda text: text.replace('"code":"/min"', '"code":"/s"'), "entry 5: pulse is in '/s', not /min"),
        (
            lambda text: text.replace('"valueQuantity":{', '"valueQuantity":{"comparator":"<",'),
            "entry 4: systolic is '<'",
        ),
        (lambda text: "[" * 100_000, "missing"),
        (lambda text: '{"a":' + "[" * 100_000, "too deep"),
    ],
)
def test_what_cannot_be_read_is_told_with_its_place(reading: Make, spoil: Callable[[str], str], complaint: str) -> None:
    text = spoil(text_of(write_collection, [reading(taken_basis=Basis.CUFF)]))
    with pytest.raises(ExchangeError, match=complaint):
        list(parse_bundle(io.StringIO(text), CONTEXT))


def test_a_pulse_that_lost_its_pressure_is_told(reading: Make) -> None:
    lines = text_of(write_bulk, [reading(), reading(reading_id="r2")]).splitlines()
    with pytest.raises(ExchangeError, match="line 5: a pulse without"):
        list(parse_bulk([*lines[:4], lines[-1]], CONTEXT))


def test_a_pulse_goes_to_its_own_blood_pressure(reading: Make) -> None:
    readings = [
        reading(pulse=Decimal("61")),
        reading(reading_id="r2", pulse=None),
        reading(reading_id="r3", pulse=Decimal("73")),
    ]
    back = parse_bundle(io.StringIO(text_of(write_collection, readings)), CONTEXT)
    assert [(one.reading_id, one.pulse) for one in back] == [("r1", Decimal(61)), ("r2", None), ("r3", Decimal(73))]


def test_a_pulse_that_is_not_its_neighbours_is_refused(reading: Make) -> None:
    """The blood pressure that it belongs to was taken out of the Bundle: it must not become another's."""
    bundle = json.loads(text_of(write_collection, [reading(), reading(reading_id="r2")]))
    bundle["entry"] = [
        entry
        for entry in bundle["entry"]
        if {"system": codes.READING_SYSTEM, "value": "r2"} not in entry["resource"].get("identifier", [])
    ]
    with pytest.raises(ExchangeError, match="a pulse without its blood pressure"):
        list(parse_bundle(io.StringIO(json.dumps(bundle)), CONTEXT))


def test_a_reading_of_the_clock_is_written_once_however_many_rest_on_it(reading: Make) -> None:
    """Also where another one came in between, and for numbers that stand together among those seen."""

    def look(of: Reading) -> ExportedClock:
        number = {"r1": 7, "r2": 8, "r3": 7, "r4": 15, "r5": 8}[of.reading_id]
        return ExportedClock(number, CUFF, datetime(2031, 3, 4, 6, number, tzinfo=UTC), datetime(2031, 3, 4, 7, number))

    readings = [reading(reading_id=f"r{number}") for number in range(1, 6)]
    context = replace(CONTEXT, clock_reading=look)
    written = [json.loads(line) for line in text_of(write_bulk, readings, context).splitlines()]
    looks = [one for one in written if codes.CLOCK_READING_SYSTEM in {i["system"] for i in one.get("identifier", [])}]
    assert [one["effectiveDateTime"][14:16] for one in looks] == ["07", "08", "15"]


def test_what_readings_of_the_clock_take_does_not_grow_with_their_numbers(reading: Make) -> None:
    """Numbers of rows go as far as 2^63: once a list of all before them took 16 GB."""
    look = ExportedClock(1 << 62, CUFF, datetime(2031, 3, 4, 6, tzinfo=UTC), datetime(2031, 3, 4, 7))
    context = replace(CONTEXT, clock_reading=lambda _: look)
    assert codes.CLOCK_READING_SYSTEM in text_of(write_bulk, [reading(reading_id="r1")], context)
