"""An average as an Observation, derived from the readings it was made of; its page as a DocumentReference.

Follows the shape of the average profile in HL7's CardX hypertension management guide 1.0.0: panel of means
(LOINC 96607-7), number of measurements, period, patient as performer. Nothing of it is a diagnosis.
"""

import base64
from collections.abc import Collection
from decimal import Decimal
from typing import Any

from collector.share.export.context import AverageResult, ExportContext
from collector.share.export.fhir import actors, codes
from collector.share.export.fhir.actors import Resource
from collector.share.export.fhir.narrative import by_identifier, compact, instant, number, uuid_of

_PANEL = compact(
    {
        "coding": [
            {
                "system": codes.LOINC,
                "code": "96607-7",
                "display": "Blood pressure panel mean systolic and mean diastolic",
            }
        ]
    }
)


def average(
    result: AverageResult, context: ExportContext, in_bundle: bool, present: Collection[str], series: str = ""
) -> Resource:
    """present: ids of the readings that were written before; others are referred to by their identifier. series: a UUID
    by which a receiver replaces it, in place of one that follows from the readings."""
    name = (
        f"{result.person} {result.protocol} {result.start.isoformat()} {result.end.isoformat()} "
        f"{' '.join(result.reading_ids)}"
    )
    uuid = series or uuid_of("average " + name)
    person = actors.patient(result.person, context)
    subject = {"reference": f"urn:uuid:{person.uuid}" if in_bundle else f"Patient/{person.uuid}"}
    sources: list[Any] = []
    for reading_id in result.reading_ids:
        reading = uuid_of("reading " + reading_id)
        if reading_id in present:
            sources.append({"reference": f"urn:uuid:{reading}" if in_bundle else f"Observation/{reading}"})
        else:
            sources.append({"type": "Observation", "identifier": {"system": codes.READING_SYSTEM, "value": reading_id}})
    head = compact(
        {
            "resourceType": "Observation",
            "id": uuid,
            "meta": {"profile": [codes.VITALS_PROFILE]},
            "extension": [
                {"url": codes.CARDX + "NumberOfMeasurementsExt", "valueQuantity": {"value": result.count}},
                {"url": codes.CARDX + "MeasurementProtocolExt", "valueCodeableConcept": {"text": result.protocol}},
            ],
            "identifier": [{"system": codes.AVERAGE_SYSTEM, "value": uuid}],
            "status": "final",
            "subject": subject,
            "performer": [subject] if result.person is not None else None,
            "effectivePeriod": {"start": result.start.isoformat(), "end": result.end.isoformat()},
            "issued": instant(result.computed_at),
            "derivedFrom": sources or None,
        }
    )
    components = [
        _mean(*codes.MEAN_COMPONENTS["systolic"], result.systolic, "mmHg", "mm[Hg]"),
        _mean(*codes.MEAN_COMPONENTS["diastolic"], result.diastolic, "mmHg", "mm[Hg]"),
    ]
    if result.pulse is not None:
        components.append(_mean("8867-4", "Heart rate", result.pulse, "beats/min", "/min"))
    text = f'{head[:-1]},"category":[{codes.VITAL_SIGNS}],"code":{_PANEL},"component":[{",".join(components)}]}}'
    return Resource("Observation", uuid, text, by_identifier(codes.AVERAGE_SYSTEM, uuid))


def _mean(code: str, display: str, value: Decimal, unit: str, ucum: str) -> str:
    name = compact({"coding": [{"system": codes.LOINC, "code": code, "display": display}]})
    return (
        f'{{"code":{name},"valueQuantity":{{"value":{number(value)},"unit":"{unit}",'
        f'"system":"{codes.UCUM}","code":"{ucum}"}}}}'
    )


def page_condition(series: str) -> str:
    """By which the page of a series is found."""
    return by_identifier(codes.REPORT_SYSTEM, uuid_of(f"page {series}"))


def report_page(series: str, result: AverageResult, page: bytes, subject: str) -> Resource:
    """series: its UUID. page: a PDF."""
    name = uuid_of(f"page {series}")
    text = compact(
        {
            "resourceType": "DocumentReference",
            "id": name,
            "identifier": [{"system": codes.REPORT_SYSTEM, "value": name}],
            "status": "current",
            "type": {"text": "Home blood pressure, page for the chart"},
            "subject": {"reference": subject},
            "date": instant(result.computed_at),
            "description": f"By {result.protocol}, {result.start:%Y-%m-%d} to {result.end:%Y-%m-%d}",
            "content": [
                {
                    "attachment": {
                        "contentType": "application/pdf",
                        "data": base64.b64encode(page).decode(),
                        "title": "Home blood pressure",
                        "creation": result.computed_at.isoformat(),
                    }
                }
            ],
            "context": {"period": {"start": result.start.isoformat(), "end": result.end.isoformat()}},
        }
    )
    return Resource("DocumentReference", name, text, page_condition(series))
