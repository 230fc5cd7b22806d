"""The resources around a reading: the person, the cuff, the station as gateway."""

from dataclasses import dataclass
from typing import Any

from collector.share.export.context import ExportContext, ExportedCuff, Subject
from collector.share.export.fhir import codes
from collector.share.export.fhir.narrative import by_identifier, compact, uuid_of

UNKNOWN = Subject(codes.PATIENT_CLASS, "U", "U")
"""The Personal Health Device guide's patient of whom nothing is known."""


@dataclass(frozen=True, slots=True)
class Resource:
    """One resource, ready to be written. condition: finds it at the receiver."""

    kind: str
    uuid: str
    text: str
    condition: str


def subject_of(person: str | None, context: ExportContext) -> Subject:
    if person is None:
        return UNKNOWN
    return context.subjects.get(person) or Subject(codes.PERSON_SYSTEM, person, "PI")


def patient(person: str | None, context: ExportContext) -> Resource:
    """Identified and no more: no name, no date of birth."""
    subject = subject_of(person, context)
    uuid = uuid_of(f"patient {subject.system} {subject.value}")
    text = compact(
        {
            "resourceType": "Patient",
            "id": uuid,
            "meta": {"profile": [codes.PHD_PROFILE + "PhdPatient"]},
            "identifier": [
                {"type": _coded(codes.IDENTIFIER_TYPE, subject.kind), "system": subject.system, "value": subject.value}
            ],
        }
    )
    return Resource("Patient", uuid, text, by_identifier(subject.system, subject.value))


def cuff(address: str, context: ExportContext) -> Resource:
    """The cuff as a personal health device; its profile is claimed where all that it requires is known."""
    facts = context.cuffs.get(address) or ExportedCuff(address)
    uuid = uuid_of(f"cuff {address}")
    is_bluetooth = len(address) == 17 and address.count(":") == 5
    plain = address.replace(":", "-").upper()
    system_id = eui(facts.system_id) or "-".join(["00"] * 8)  # the guide's form of an unknown one
    identifiers: list[Any] = [_device_identifier("SYSID", codes.SYSTEM_ID, system_id)]
    if is_bluetooth:
        identifiers.append(_device_identifier("BTMAC", codes.BLUETOOTH, plain))
        condition = by_identifier(codes.BLUETOOTH, plain)
    else:
        identifiers.append({"system": codes.CUFF_SYSTEM, "value": address})
        condition = by_identifier(codes.CUFF_SYSTEM, address)
    versions = [
        _version(code, name, value)
        for code, name, value in (
            ("531974", "MDC_ID_PROD_SPEC_HW", facts.hardware),
            ("531975", "MDC_ID_PROD_SPEC_SW", facts.software),
            ("531976", "MDC_ID_PROD_SPEC_FW", facts.firmware),
        )
        if value
    ]
    whole = bool(facts.manufacturer and facts.model)
    text = compact(
        {
            "resourceType": "Device",
            "id": uuid,
            "meta": {"profile": [codes.PHD_PROFILE + "PhdDevice"]} if whole else None,
            "identifier": identifiers,
            "manufacturer": facts.manufacturer or None,
            "serialNumber": facts.serial or None,
            "modelNumber": facts.model or None,
            "type": _mdc("65573", "MDC_MOC_VMS_MDS_SIMP"),
            "specialization": [{"systemType": _mdc("528391", "MDC_DEV_SPEC_PROFILE_BP"), "version": "1"}],
            "version": versions or None,
        }
    )
    return Resource("Device", uuid, text, condition)


def gateway(station: str, context: ExportContext) -> Resource:
    """The station that collected the readings."""
    station = station or "unnamed"
    uuid = uuid_of(f"station {station}")
    text = compact(
        {
            "resourceType": "Device",
            "id": uuid,
            "identifier": [{"system": codes.STATION_SYSTEM, "value": station}],
            "type": _mdc("531981", "MDC_MOC_VMS_MDS_AHD"),
            "version": [_version("531975", "MDC_ID_PROD_SPEC_SW", context.version)] if context.version else None,
        }
    )
    return Resource("Device", uuid, text, by_identifier(codes.STATION_SYSTEM, station))


def eui(system_id: bytes | None) -> str | None:
    """The System ID as EUI-64 by the book: sent lowest octet first, written highest first."""
    return system_id[::-1].hex("-").upper() if system_id and len(system_id) == 8 else None


def _coded(system: str, code: str, display: str | None = None) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code, "display": display}]}


def _mdc(code: str, name: str) -> dict[str, Any]:
    return {**_coded(codes.MDC, code, name), "text": name}


def _version(code: str, name: str, value: str) -> dict[str, Any]:
    return {"type": _mdc(code, name), "value": value}


def _device_identifier(kind: str, system: str, value: str) -> dict[str, Any]:
    return {"type": _coded(codes.DEVICE_IDENTIFIERS, kind), "system": system, "value": value}
