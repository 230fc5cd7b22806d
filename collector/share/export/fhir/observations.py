"""A reading as Observations: the blood pressure, its pulse, its status bits, and the clock it was timed by.

Text is put together from prepared pieces, since a model object a reading would be many times slower. The
tests parse what comes out with an independent FHIR library and hold it to the profiles' own rules.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from decimal import Decimal

from collector.share.export.context import HAND, ExportContext, ExportedClock, mmhg
from collector.share.export.fhir import actors, codes
from collector.share.export.fhir.actors import Resource
from collector.share.export.fhir.as_collected import as_collected
from collector.share.export.fhir.narrative import by_identifier, compact, instant, number, quoted, uuid_of
from collector.store.values import TAKEN_BACK, Basis, Reading

_DEVICE_MADE = compact({"coding": [{"system": codes.PHD_CATEGORIES, "code": "phd"}]})
_VITAL_DEVICE = f"{codes.VITAL_SIGNS},{_DEVICE_MADE}"
_NOTHING: Mapping[str, str] = {}
_OPEN = '{"resourceType":"Observation","id":"'
_ABSENT = ',"dataAbsentReason":{"coding":[{"system":"' + codes.ABSENT + '","code":"%s"}]}'
_VALUE = ',"valueQuantity":{"value":'
_UNIT = ',"unit":"%s","system":"' + codes.UCUM + '","code":"%s"}'
_IN_MMHG = _UNIT % ("mmHg", "mm[Hg]")
_PER_MINUTE = _UNIT % ("beats/min", "/min")
_Y2K = datetime(2000, 1, 1)


def _code(mdc: tuple[str, str], loinc: tuple[str, str] | None) -> str:
    codings = [{"system": codes.MDC, "code": mdc[0], "display": mdc[1]}]
    if loinc:
        codings.append({"system": codes.LOINC, "code": loinc[0], "display": loinc[1]})
    return '"code":' + compact({"coding": codings})


_PANEL = _code(("150020", "MDC_PRESS_BLD_NONINV"), ("85354-9", "Blood pressure panel with all children optional"))
_PULSE = _code(("149546", "MDC_PULS_RATE_NON_INV"), ("8867-4", "Heart rate"))
_STATUS = _code((codes.STATUS_CODE, "MDC_BLOOD_PRESSURE_MEASUREMENT_STATUS"), None)
_COMPONENT = {
    name: "{" + _code((mdc, ref), (loinc, text)) for name, (mdc, ref, loinc, text) in codes.COMPONENTS.items()
}
_BIT = {
    word: "{" + f'"code":{compact({"coding": [coding]})}' + ',"valueBoolean":true}'
    for word, bit, name in codes.BITS
    for coding in [{"system": codes.STATUS_BITS, "code": f"{codes.STATUS_CODE}.{bit}", "display": name}]
}
_HEAD_HAND = f'","meta":{{"profile":["{codes.BP_PROFILE}"]}},"extension":['
_HEAD_BP = (
    f'","meta":{{"profile":["{codes.BP_PROFILE}","{codes.PHD_PROFILE}PhdCompoundNumericObservation",'
    f'"{codes.PHD_PROFILE}PhdCompoundObservation"]}},"extension":['
)
_HEAD_PULSE = (
    f'","meta":{{"profile":["{codes.PULSE_PROFILE}","{codes.PHD_PROFILE}PhdNumericObservation"]}},"extension":['
)
_HEAD_PULSE_HAND = f'","meta":{{"profile":["{codes.PULSE_PROFILE}"]}}'
_HEAD_STATUS = f'","meta":{{"profile":["{codes.PHD_PROFILE}PhdBitsEnumerationObservation"]}},"extension":['
_IDENTIFIER = '"identifier":[{"system":"' + codes.READING_SYSTEM + '","value":"'


class Observations:
    """Turns readings into resources, in an order in which nothing is referred to before it was written.

    local: how a resource is referred to: 'urn:uuid:' within a Bundle, else 'Type/id'.
    """

    def __init__(self, context: ExportContext, in_bundle: bool) -> None:
        self._context = context
        self._in_bundle = in_bundle
        self._gateways: dict[str, tuple[Resource, str]] = {}
        self._told: set[str] = set()
        self._subjects: dict[str | None, tuple[Resource, str]] = {}
        self._cuffs: dict[str, tuple[Resource, str]] = {}
        self._keys: dict[tuple[str, str], str] = {}
        self._recent: dict[str, tuple[int, str]] = {}
        self._seen: dict[int, int] = {}

    def reference(self, kind: str, uuid: str) -> str:
        return f"urn:uuid:{uuid}" if self._in_bundle else f"{kind}/{uuid}"

    def of(self, reading: Reading) -> list[Resource]:
        """All resources that this reading brings with it, those that it refers to first."""
        made: list[Resource] = []
        person, subject = self._subject(reading.person)
        self._once(person, made)
        by_hand = reading.cuff == HAND
        source = device = ""
        if not by_hand:
            cuff, device = self._cuff(reading.cuff)
            gateway, source = self._gateway(reading)
            self._once(gateway, made)
            self._once(cuff, made)
            source += self._clock_reading(reading, cuff.uuid, gateway.uuid, made) + ","
        uuid = uuid_of("reading " + reading.reading_id)
        taken = reading.taken_at.isoformat()
        state = "entered-in-error" if TAKEN_BACK.intersection(reading.marks) else "final"
        tail = (
            f'],"status":"{state}","category":[{codes.VITAL_SIGNS if by_hand else _VITAL_DEVICE}],%s,{subject}'
            f'"effectiveDateTime":"{taken}","issued":"{instant(reading.received_at)}"{device}'
        )
        missing = self._context.absent(reading) if _lacks(reading) else _NOTHING
        made.append(self._pressure(reading, uuid, by_hand, source, tail, missing))
        if reading.pulse is not None or "pulse" in missing:
            made.append(self._pulse(reading, by_hand, source, tail, missing))
        if reading.status and (bits := [_BIT[word] for word in reading.status if word in _BIT]):
            made.append(self._status(reading, uuid, bits, state, subject, source, taken, device))
        return made

    def _pressure(
        self, reading: Reading, uuid: str, by_hand: bool, source: str, tail: str, missing: Mapping[str, str]
    ) -> Resource:
        identifiers = _IDENTIFIER + reading.reading_id + '"}'
        if not by_hand and (own := self._phd_identifier(reading)):
            identifiers += f',{{"system":"{codes.PHD_IDENTIFIER}","value":{quoted(own)}}}'
        note = f',"note":[{{"text":{quoted(reading.note)}}}]' if reading.note else ""
        unit = reading.unit
        parts = [
            _component("systolic", reading.systolic, unit, missing),
            _component("diastolic", reading.diastolic, unit, missing),
        ]
        if reading.mean is not None or not by_hand:
            parts.append(_component("mean", reading.mean, unit, missing))
        text = (
            f"{_OPEN}{uuid}{_HEAD_HAND if by_hand else _HEAD_BP}{source}{as_collected(reading)}],"
            f'{identifiers}{tail % _PANEL}{note},"component":[{",".join(parts)}]}}'
        )
        return Resource("Observation", uuid, text, _reading_condition(reading.reading_id))

    def _pulse(self, reading: Reading, by_hand: bool, source: str, tail: str, missing: Mapping[str, str]) -> Resource:
        name = reading.reading_id + ".pulse"
        uuid = uuid_of("reading " + name)
        head = _HEAD_PULSE_HAND if by_hand else f"{_HEAD_PULSE}{source[:-1]}]"
        pulse = reading.pulse
        value = _ABSENT % missing["pulse"] if pulse is None else f"{_VALUE}{number(pulse)}{_PER_MINUTE}"
        text = f'{_OPEN}{uuid}{head},{_IDENTIFIER}{name}"}}{tail % _PULSE}{value}}}'
        return Resource("Observation", uuid, text, _reading_condition(name))

    def _status(
        self, reading: Reading, of: str, bits: list[str], state: str, subject: str, source: str, taken: str, device: str
    ) -> Resource:
        name = reading.reading_id + ".status"
        uuid = uuid_of("reading " + name)
        text = (
            f'{_OPEN}{uuid}{_HEAD_STATUS}{source[:-1]}],{_IDENTIFIER}{name}"}}],"status":"{state}","category":'
            f'[{_DEVICE_MADE}],{_STATUS},{subject}"effectiveDateTime":"{taken}"{device},"derivedFrom":'
            f'[{{"reference":"{self.reference("Observation", of)}"}}],"component":[{",".join(bits)}]}}'
        )
        return Resource("Observation", uuid, text, _reading_condition(name))

    def person(self, person: str | None) -> list[Resource]:
        """The person's own resource, if it was not written yet."""
        made: list[Resource] = []
        self._once(self._subject(person)[0], made)
        return made

    def _once(self, resource: Resource, made: list[Resource]) -> None:
        if resource.uuid not in self._told:
            self._told.add(resource.uuid)
            made.append(resource)

    def _subject(self, person: str | None) -> tuple[Resource, str]:
        if person not in self._subjects:
            resource = actors.patient(person, self._context)
            pointer = f'{{"reference":"{self.reference("Patient", resource.uuid)}"}}'
            performer = f'"performer":[{pointer}],' if person is not None else ""
            self._subjects[person] = resource, f'"subject":{pointer},{performer}'
        return self._subjects[person]

    def _cuff(self, address: str) -> tuple[Resource, str]:
        if address not in self._cuffs:
            resource = actors.cuff(address, self._context)
            pointer = self.reference("Device", resource.uuid)
            self._cuffs[address] = resource, f',"device":{{"reference":"{pointer}"}}'
        return self._cuffs[address]

    def _gateway(self, reading: Reading) -> tuple[Resource, str]:
        of = self._context.station_of
        station = of(reading) if of else self._context.station
        if station not in self._gateways:
            resource = actors.gateway(station, self._context)
            self._gateways[station] = (
                resource,
                f'{{"url":"{codes.GATEWAY}","valueReference":'
                f'{{"reference":"{self.reference("Device", resource.uuid)}"}}}}',
            )
        return self._gateways[station]

    def _clock_reading(self, reading: Reading, cuff: str, gateway: str, made: list[Resource]) -> str:
        """Points at the reading of the cuff's clock that the reading was timed by."""
        clock = self._context.clock_reading(reading) if reading.taken_basis is Basis.CORRECTED else None
        if clock is None:
            return ""
        known = self._recent.get(reading.cuff)
        if known is None or known[0] != clock.number:
            resource = self._coincident(clock, cuff, gateway)
            if self._first_time(clock.number):
                made.append(resource)
            known = self._recent[reading.cuff] = (
                clock.number,
                (
                    f',{{"url":"{codes.COINCIDENT}","valueReference":'
                    f'{{"reference":"{self.reference("Observation", resource.uuid)}"}}}}'
                ),
            )
        return known[1]

    def _first_time(self, number: int) -> bool:
        """A bit each, by thousands, since there may be as many clock readings as readings, and any gap between two."""
        thousand, bit = number >> 10, 1 << (number & 1023)
        seen = self._seen.get(thousand, 0)
        self._seen[thousand] = seen | bit
        return not seen & bit

    def _coincident(self, clock: ExportedClock, cuff: str, gateway: str) -> Resource:
        name = f"{clock.cuff} {clock.at.astimezone(UTC).isoformat()}"
        uuid = uuid_of("look " + name)
        shown = clock.cuff_clock and clock.cuff_clock.replace(tzinfo=clock.at.tzinfo)
        text = compact(
            {
                "resourceType": "Observation",
                "id": uuid,
                "meta": {"profile": [codes.PHD_PROFILE + "PhdCoincidentTimeStampObservation"]},
                "identifier": [{"system": codes.CLOCK_READING_SYSTEM, "value": uuid}],
                "status": "final",
                "code": {"coding": [{"system": codes.MDC, "code": "67975", "display": "MDC_ATTR_TIME_ABS"}]},
                "subject": {"reference": self.reference("Device", cuff)},
                "effectiveDateTime": clock.at.isoformat(),
                "valueDateTime": shown.isoformat() if shown else None,
                "dataAbsentReason": None if shown else {"coding": [{"system": codes.ABSENT, "code": "unknown"}]},
                "device": {"reference": self.reference("Device", gateway)},
            }
        )
        return Resource("Observation", uuid, text, by_identifier(codes.CLOCK_READING_SYSTEM, uuid))

    def _phd_identifier(self, reading: Reading) -> str:
        """The guide's dash-joined key: device, patient, type, sensor's own time stamp in seconds since 2000.

        Empty where the person or a part of the stamp is unknown.
        """
        shown = reading.clock_shown
        if reading.person is None or shown is None:
            return ""
        key = (reading.cuff, reading.person)
        if key not in self._keys:
            subject = actors.subject_of(reading.person, self._context)
            facts = self._context.cuffs.get(reading.cuff)
            device = (actors.eui(facts.system_id) if facts else None) or reading.cuff
            name = device.replace("-", "").replace(":", "").upper()
            self._keys[key] = f"{name}-{subject.value}-{subject.system}-150020-"
        since = shown - _Y2K
        return f"{self._keys[key]}{since.days * 86400 + since.seconds}"


def _component(name: str, value: Decimal | None, unit: str, missing: Mapping[str, str]) -> str:
    if value is None:
        return _COMPONENT[name] + _ABSENT % missing.get(name, "error") + "}"
    shown = number(value if unit == "mmHg" else mmhg(value, unit))
    return f"{_COMPONENT[name]}{_VALUE}{shown}{_IN_MMHG}}}"


def _lacks(reading: Reading) -> bool:
    return reading.mean is None or reading.systolic is None or reading.diastolic is None or reading.pulse is None


def reading_conditions(reading_id: str) -> list[str]:
    """What finds the Observations that a reading may have made."""
    return [_reading_condition(reading_id + part) for part in ("", ".pulse", ".status")]


def _reading_condition(name: str) -> str:
    return f"identifier={codes.READING_SYSTEM}|{name}"
