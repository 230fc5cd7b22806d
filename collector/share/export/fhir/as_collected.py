"""What FHIR has no element for, in one extension of the blood pressure Observation: the reading as collected.

Whoever reads our Observations may ignore it. Importing them again needs it.
"""

from decimal import Decimal
from functools import lru_cache

from collector.share.export.fhir import codes
from collector.share.export.fhir.narrative import number, quoted
from collector.store.values import Basis, Reading

_START = '{"url":"' + codes.AS_COLLECTED + '","extension":['


def as_collected(reading: Reading) -> str:
    """The extension as JSON text."""
    own = "".join(
        (
            f'{{"url":"sightings","valueInteger":{reading.sightings}}}',
            f',{{"url":"stamp","valueString":{quoted(reading.stamp)}}}' if reading.stamp else "",
            f',{{"url":"payload","valueString":{quoted(reading.payload)}}}' if reading.payload else "",
        )
    )
    common = _common(
        reading.taken_basis,
        reading.taken_uncertainty_s,
        reading.features_known,
        reading.slot,
        reading.status_raw,
        reading.status,
        reading.assessed,
        reading.marks,
        getattr(reading.taken_at.tzinfo, "key", None),
    )
    if reading.unit == "mmHg":
        return f"{_START}{own},{common}]}}"
    parts = [_part("unit", "String", quoted(reading.unit))]
    parts += [
        _part(name, "Decimal", number(value))
        for name, value in (("systolic", reading.systolic), ("diastolic", reading.diastolic), ("mean", reading.mean))
        if value is not None
    ]
    return f"{_START}{own},{common},{','.join(parts)}]}}"


@lru_cache(maxsize=1024)
def _common(
    basis: Basis,
    uncertainty: float | None,
    features_known: bool,
    slot: int | None,
    word: int | None,
    status: tuple[str, ...],
    assessed: tuple[str, ...],
    marks: tuple[str, ...],
    zone: str | None,
) -> str:
    """What many readings of a cuff have in common."""
    parts = [
        _part("basis", "String", quoted(basis)),
        _part("featuresKnown", "Boolean", "true" if features_known else "false"),
    ]
    if slot is not None:
        parts.append(_part("slot", "Integer", slot))
    if uncertainty is not None:
        parts.append(_part("uncertaintySeconds", "Decimal", number(Decimal(repr(float(uncertainty))))))
    if word is not None:
        parts.append(_part("statusWord", "Integer", word))
    for name, words in (("status", status), ("assessed", assessed), ("mark", marks)):
        parts += [_part(name, "String", quoted(one)) for one in words]
    if zone:
        parts.append(_part("zone", "String", quoted(zone)))
    return ",".join(parts)


def _part(name: str, kind: str, value: object) -> str:
    return f'{{"url":"{name}","value{kind}":{value}}}'
