"""Readings out of a Bundle or bulk NDJSON that quietcuff wrote, also after a FHIR server had it in between."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, TextIO

from collector.share.export.context import HAND, ExchangeError, ExportContext, ExportedClock, ExportedCuff
from collector.share.export.fhir import codes
from collector.share.export.fhir.entries import entries
from collector.share.export.read_json import DECODER, NameTwiceError
from collector.store.acceptable import cuff_problem, time_problem
from collector.store.columns import zone_named
from collector.store.values import Basis, Reading


def parse_bundle(
    file: TextIO, context: ExportContext | None = None, contents: "BundleContents | None" = None
) -> Iterator[Reading]:
    """Readings of a Bundle of any type, streamed. context: the subjects that the export was made with.

    contents: filled with what the Bundle says besides. Raises ExchangeError with the number of the entry.
    """
    yield from _Assembly(context, contents or BundleContents()).readings(entries(file), "entry")


def parse_bulk(
    lines: Iterable[str], context: ExportContext | None = None, contents: "BundleContents | None" = None
) -> Iterator[Reading]:
    """Readings of bulk NDJSON, one resource a line. Raises ExchangeError with the number of the line."""
    yield from _Assembly(context, contents or BundleContents()).readings(_resources(lines), "line")


@dataclass(slots=True)
class BundleContents:
    """What a Bundle says besides its readings, complete when the last one was handed out.

    station: of the reading handed out last. clock_readings: each with the station that took it.
    """

    station: str | None = None
    cuffs: dict[str, ExportedCuff] = field(default_factory=dict)
    clock_readings: list[tuple[str | None, ExportedClock]] = field(default_factory=list)


def _resources(lines: Iterable[str]) -> Iterator[tuple[str, Any]]:
    for at, line in enumerate(lines, 1):
        if line.strip():
            try:
                yield "", DECODER.decode(line)
            except NameTwiceError as error:
                raise ExchangeError(f"line {at}: {error}") from None
            except ValueError as error:
                raise ExchangeError(f"line {at}: not JSON ({error})") from None


class _Assembly:
    """Puts together what the Observations of one reading say; a pulse follows its blood pressure."""

    def __init__(self, context: ExportContext | None, contents: BundleContents) -> None:
        self._contents = contents
        self._stations: dict[str, str] = {}
        self._people: dict[str, str | None] = {}
        self._cuffs: dict[str, str] = {}
        self._names = {(one.system, one.value): person for person, one in (context.subjects if context else {}).items()}

    def readings(self, found: Iterable[tuple[str, Any]], what: str) -> Iterator[Reading]:
        held: Reading | None = None
        station: str | None = None
        for at, (url, resource) in enumerate(found, 1):
            try:
                kind = resource["resourceType"]
                names = [name for name in (url, f"{kind}/{resource.get('id')}") if name]
                if kind == "Patient":
                    self._people.update(dict.fromkeys(names, self._person(resource)))
                elif kind == "Device":
                    self._device(names, resource)
                elif kind == "Observation":
                    own = _identifiers(resource).get(codes.READING_SYSTEM)
                    if own and own.endswith(".pulse"):
                        if held is None or own != held.reading_id + ".pulse":
                            raise ExchangeError("a pulse without its blood pressure before it")
                        held = _with_pulse(held, resource)
                    elif own and not own.endswith(".status"):
                        if held is not None:
                            self._contents.station = station
                            yield held
                        held, station = self._reading(own, resource), self._station(resource)
                    elif codes.CLOCK_READING_SYSTEM in _identifiers(resource):
                        self._clock_reading(resource)
                    elif own is None and _is_blood_pressure(resource):
                        raise ExchangeError("a blood pressure that quietcuff did not write")
            except ExchangeError as error:
                raise ExchangeError(f"{what} {at}: {error}") from None
            except (KeyError, TypeError, ValueError, IndexError, ArithmeticError, AttributeError) as error:
                raise ExchangeError(f"{what} {at}: not as quietcuff writes it ({error!r})") from None
        if held is not None:
            self._contents.station = station
            yield held

    def _device(self, names: list[str], resource: Any) -> None:
        station = _identifiers(resource).get(codes.STATION_SYSTEM)
        if station is not None:
            if not re.fullmatch("[0-9a-f]{32}", station):
                raise ExchangeError(f"station {station[:40]!r} is no name that quietcuff gives a station")
            self._stations.update(dict.fromkeys(names, station))
            return
        facts = _facts(resource)
        if problem := cuff_problem(facts.address):
            raise ExchangeError(f"a cuff's address {problem}")
        self._contents.cuffs[facts.address] = facts
        self._cuffs.update(dict.fromkeys(names, facts.address))

    def _station(self, resource: Any) -> str | None:
        gateway = next(
            (
                one["valueReference"]["reference"]
                for one in resource.get("extension", ())
                if one["url"] == codes.GATEWAY
            ),
            None,
        )
        return self._stations.get(gateway) if gateway else None

    def _clock_reading(self, resource: Any) -> None:
        shown, at = resource.get("valueDateTime"), datetime.fromisoformat(resource["effectiveDateTime"])
        if problem := time_problem(at):
            raise ExchangeError(f"the time at which a clock was read {problem}")
        self._contents.clock_readings.append(
            (
                self._stations.get(resource["device"]["reference"]),
                ExportedClock(
                    0,
                    self._cuffs[resource["subject"]["reference"]],
                    at,
                    datetime.fromisoformat(shown).replace(tzinfo=None) if shown else None,
                ),
            )
        )

    def _person(self, resource: Any) -> str | None:
        """Whom the configuration says; else by our own name; else by the record as the configuration would have it:
        two clinics may have numbered two people alike, and a number may be somebody's name here."""
        identifiers = _identifiers(resource)
        if codes.PATIENT_CLASS in identifiers:
            return None
        for known in identifiers.items():
            if known in self._names:
                return self._names[known]
        if codes.PERSON_SYSTEM in identifiers:
            return identifiers[codes.PERSON_SYSTEM]
        for system, value in identifiers.items():
            return f"{system}|{value}"
        raise ExchangeError("a patient without identifier")

    def _reading(self, reading_id: str, resource: Any) -> Reading:
        record = next(
            (one["extension"] for one in resource.get("extension", ()) if one["url"] == codes.AS_COLLECTED), None
        )
        if record is None:
            raise ExchangeError(f"reading {reading_id} has lost its extension 'as-collected'")
        words: dict[str, list[str]] = {"status": [], "assessed": [], "mark": []}
        said: dict[str, Any] = {}
        for part in record:
            (value,) = (one for name, one in part.items() if name.startswith("value"))
            if part["url"] in words:
                words[part["url"]].append(value)
            else:
                said[part["url"]] = value
        unit = said.get("unit", "mmHg")
        values = said if unit != "mmHg" else _components(resource)
        taken = datetime.fromisoformat(resource["effectiveDateTime"])
        if "zone" in said:
            taken = taken.astimezone(zone_named(said["zone"]))
        device = resource.get("device")
        uncertainty = said.get("uncertaintySeconds")
        systolic, diastolic, mean = (_decimal(values.get(name)) for name in ("systolic", "diastolic", "mean"))
        return Reading(
            reading_id=reading_id,
            cuff=self._cuffs[device["reference"]] if device else HAND,
            slot=said.get("slot"),
            person=self._people[resource["subject"]["reference"]],
            systolic=systolic,
            diastolic=diastolic,
            mean=mean,
            unit=unit,
            pulse=None,
            taken_at=taken,
            taken_basis=Basis(said["basis"]),
            taken_uncertainty_s=None if uncertainty is None else float(uncertainty),
            received_at=datetime.fromisoformat(resource["issued"]).astimezone(UTC),
            status=tuple(words["status"]),
            status_raw=said.get("statusWord"),
            features_known=said["featuresKnown"],
            assessed=tuple(words["assessed"]),
            stamp=said.get("stamp"),
            marks=tuple(words["mark"]),
            sightings=said["sightings"],
            payload=said.get("payload", ""),
            note=resource["note"][0]["text"] if resource.get("note") else None,
        )


def _with_pulse(reading: Reading, resource: Any) -> Reading:
    quantity = resource.get("valueQuantity")
    pulse = _value(quantity, "pulse", ("/min", "beats/min"))
    return reading if pulse is None else replace(reading, pulse=_decimal(pulse))


def _value(quantity: Any, name: str, units: tuple[str, str]) -> Any:
    """The number of a quantity in this unit, by UCUM's code or as it is shown; None where there is no quantity.

    A server in between may have turned it into another, whose number means something else. Raises ExchangeError.
    """
    if quantity is None:
        return None
    if (unit := quantity.get("code") or quantity.get("unit")) not in units:
        raise ExchangeError(f"{name} is in {unit!r}, not {units[0]}")
    if comparator := quantity.get("comparator"):
        raise ExchangeError(f"{name} is {comparator!r} a number, not one")
    return quantity["value"]


def _identifiers(resource: Any) -> dict[str, str]:
    return {one["system"]: one["value"] for one in resource.get("identifier", ()) if "system" in one}


def _facts(resource: Any) -> ExportedCuff:
    names = _identifiers(resource)
    address = names.get(codes.BLUETOOTH)
    eui = names.get(codes.SYSTEM_ID, "").replace("-", "")
    versions = {one["type"]["coding"][0]["code"]: one["value"] for one in resource.get("version", ())}
    return ExportedCuff(
        address=address.replace("-", ":") if address else names.get(codes.CUFF_SYSTEM, ""),
        system_id=bytes.fromhex(eui)[::-1] if eui.strip("0") else None,
        manufacturer=resource.get("manufacturer"),
        model=resource.get("modelNumber"),
        serial=resource.get("serialNumber"),
        firmware=versions.get("531976"),
        hardware=versions.get("531974"),
        software=versions.get("531975"),
    )


def _components(resource: Any) -> dict[str, Any]:
    by_code = {loinc: name for name, (_, _, loinc, _) in codes.COMPONENTS.items()}
    found: dict[str, Any] = {}
    for component in resource["component"]:
        for coding in component["code"]["coding"]:
            if coding["code"] in by_code and coding["system"] == codes.LOINC:
                name = by_code[coding["code"]]
                found[name] = _value(component.get("valueQuantity"), name, ("mm[Hg]", "mmHg"))
    return found


def _is_blood_pressure(resource: Any) -> bool:
    return any(coding.get("code") == "85354-9" for coding in resource["code"].get("coding", ()))


def _decimal(value: Any) -> Decimal | None:
    return None if value is None else Decimal(value)
