"""The page for the chart as a DocumentReference (FHIR R4, DocumentReference): a PDF in the record."""

import base64

from collector.share.export.context import AverageResult
from collector.share.export.fhir import codes
from collector.share.export.fhir.actors import Resource
from collector.share.export.fhir.narrative import by_identifier, compact, instant, uuid_of


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
