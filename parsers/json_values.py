"""Decoded values as what `json.dumps` takes: pressures as numbers, octets as hex, unknown as null."""

from decimal import Decimal
from enum import Enum
from functools import singledispatch
from typing import Any

from parsers.control import RecordControl, UserControl
from parsers.device import Battery, PnpId, SystemId, UserIndex
from parsers.measurement import CuffPressure, Feature, Measurement, PulseRange, Status
from parsers.record import Gap, Record, Segment
from parsers.sfloat import Float, SFloat
from parsers.stamps import CurrentTime, DateTime, EpochTime, LocalTime, ReferenceTime

Json = dict[str, Any]


@singledispatch
def as_json(content: object) -> Json:
    """A dict of JSON values. A number is as sent; where there is none it is null and `absent` says why."""
    raise TypeError(f"{type(content).__name__} is not a decoded value")


@as_json.register
def _(text: str) -> Json:
    return {"text": text}


@as_json.register
def _(m: Measurement) -> Json:
    return {
        "systolic": _number(m.systolic),
        "diastolic": _number(m.diastolic),
        "mean": _number(m.mean),
        "unit": m.unit.value,
        "pulse": _number(m.pulse),
        "stamp": _text(m.stamp),
        "user_facing_time": _text(m.user_facing),
        "slot": m.user_id,
        "status": list(m.status.words()) if m.status else [],
        "status_raw": m.status.raw if m.status else None,
        "pulse_range": m.status.pulse_range.name.lower() if m.status else None,
        "failed": m.failed,
        "absent": _absent(systolic=m.systolic, diastolic=m.diastolic, mean=m.mean, pulse=m.pulse),
        "words": _words(systolic=m.systolic, diastolic=m.diastolic, mean=m.mean, pulse=m.pulse),
        "flags": m.flags,
        "trailing": m.trailing.hex(),
    }


@as_json.register
def _(cuff: CuffPressure) -> Json:
    return {
        "cuff_pressure": _number(cuff.pressure),
        "unit": cuff.unit.value,
        "pulse": _number(cuff.pulse),
        "stamp": _text(cuff.stamp),
        "user_facing_time": _text(cuff.user_facing),
        "slot": cuff.user_id,
        "status": list(cuff.status.words()) if cuff.status else [],
        "status_raw": cuff.status.raw if cuff.status else None,
        "absent": _absent(cuff_pressure=cuff.pressure, pulse=cuff.pulse),
        "words": _words(cuff_pressure=cuff.pressure, pulse=cuff.pulse),
        "flags": cuff.flags,
        "trailing": cuff.trailing.hex(),
    }


@as_json.register
def _(status: Status) -> Json:
    reserved = status.pulse_range is PulseRange.RESERVED
    return {"raw": status.raw, "status": list(status.words()), "pulse_range_reserved": reserved}


@as_json.register
def _(feature: Feature) -> Json:
    return {
        "raw": feature.raw,
        "looks_out_for": list(feature.checks()),
        "multiple_bonds": feature.multiple_bonds,
        "e2e_crc": feature.e2e_crc,
        "user_data_service": feature.user_data_service,
        "user_facing_time": feature.user_facing_time,
        "trailing": feature.trailing.hex(),
    }


@as_json.register
def _(time: DateTime) -> Json:
    return {"wall_time": str(time), "usable": time.usable, "raw": time.raw.hex(), "trailing": time.trailing.hex()}


@as_json.register
def _(time: EpochTime) -> Json:
    return {"wall_time": str(time), "seconds": time.seconds, "epoch": time.epoch}


@as_json.register
def _(clock: CurrentTime) -> Json:
    naive = clock.naive()
    return {
        "wall_time": naive.isoformat() if naive else str(clock.date_time),
        "usable": naive is not None,
        "day_of_week": clock.day_of_week,
        "fractions256": clock.fractions256,
        "adjust_reason": clock.adjust_reason,
        "adjusted_by": list(clock.adjusted_by),
        "trailing": clock.trailing.hex(),
    }


@as_json.register
def _(local: LocalTime) -> Json:
    zone, saving = local.zone, local.daylight_saving
    return {
        "zone_minutes": None if zone is None else int(zone.total_seconds() // 60),
        "daylight_saving_minutes": None if saving is None else int(saving.total_seconds() // 60),
        "time_zone": local.time_zone,
        "dst_offset": local.dst_offset,
        "trailing": local.trailing.hex(),
    }


@as_json.register
def _(reference: ReferenceTime) -> Json:
    since = reference.since_update
    return {
        "source": reference.source_words,
        "accuracy_s": None if reference.drift is None else float(reference.drift),
        "hours_since_update": None if since is None else int(since.total_seconds() // 3600),
        "trailing": reference.trailing.hex(),
    }


@as_json.register
def _(segment: Segment) -> Json:
    return {
        "first": segment.first,
        "last": segment.last,
        "counter": segment.counter,
        "sequence": segment.sequence,
        "uuid": _uuid(segment.uuid),
        "body": segment.body.hex(),
    }


@as_json.register
def _(record: Record) -> Json:
    return {
        "sequence": record.sequence,
        "uuid": _uuid(record.uuid),
        "value": record.value.hex(),
        "crc_ok": record.crc_ok,
        "segments": record.segments,
    }


@as_json.register
def _(gap: Gap) -> Json:
    return {"sequence": gap.sequence, "uuid": _uuid(gap.uuid), "reason": gap.reason, "segments": gap.segments}


@as_json.register
def _(control: RecordControl) -> Json:
    return {
        "op": _name(control.op),
        "operator": _name(control.operator),
        "count": control.count,
        "request": _name(control.request),
        "result": _name(control.result),
        "operand": control.operand.hex(),
    }


@as_json.register
def _(control: UserControl) -> Json:
    """The consent code is a secret between a person and a cuff: only whether there is one is told."""
    return {
        "op": _name(control.op),
        "user_index": control.user_index,
        "consent_code_sent": control.consent_code is not None,
        "request": _name(control.request),
        "result": _name(control.result),
        "parameter": control.parameter.hex(),
    }


@as_json.register
def _(system: SystemId) -> Json:
    return {
        "raw": system.raw.hex(),
        "eui": system.eui,
        "eui_if_reversed": system.eui_if_reversed,
        "trailing": system.trailing.hex(),
    }


@as_json.register
def _(pnp: PnpId) -> Json:
    return {
        "source": pnp.source,
        "vendor": pnp.vendor,
        "product": pnp.product,
        "version": pnp.version_text,
        "trailing": pnp.trailing.hex(),
    }


@as_json.register
def _(battery: Battery) -> Json:
    return {"percent": battery.percent, "level": battery.level, "trailing": battery.trailing.hex()}


@as_json.register
def _(user: UserIndex) -> Json:
    return {"user_index": user.index, "trailing": user.trailing.hex()}


def plain_number(number: Decimal) -> int | float:
    """A JSON number: whole when the value was sent without decimals, else the nearest float."""
    return int(number) if number.as_tuple().exponent >= 0 else float(number)  # type: ignore[operator]


def _number(number: SFloat | Float | None) -> int | float | None:
    return None if number is None or number.value is None else plain_number(number.value)


def _absent(**numbers: SFloat | None) -> dict[str, str]:
    return {name: number.absence.value for name, number in numbers.items() if number and number.absence}


def _words(**numbers: SFloat | None) -> dict[str, str]:
    """The words as sent, which keep what a JSON number cannot: 120 and 120.0 differ."""
    return {name: f"{number.word:#06x}" for name, number in numbers.items() if number}


def _text(time: object | None) -> str | None:
    return None if time is None else str(time)


def _uuid(uuid: int | None) -> str | None:
    return None if uuid is None else f"{uuid:04x}"


def _name(number: int | None) -> str | int | None:
    return number.name.lower().replace("_", " ") if isinstance(number, Enum) else number
