"""Decoded values as what `json.dumps` takes: pressures as numbers, octets as hex, unknown as null."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from enum import Enum
from typing import Any

from parsers.control import RecordControl, UserControl
from parsers.device import Battery, PnpId, SystemId, UserIndex
from parsers.intermediate import CuffPressure
from parsers.measurement import Measurement
from parsers.record import Gap, Record, Segment
from parsers.sfloat import Float, SFloat
from parsers.stamps import CurrentTime, DateTime, EpochTime, LocalTime, ReferenceTime
from parsers.status import Feature, PulseRange, Status

Json = dict[str, Any]


def as_json(content: object) -> Json:
    """A dict of JSON values. A number is as sent; where there is none it is null and `absent` says why."""
    if (told := _TOLD.get(type(content))) is None:
        raise TypeError(f"{type(content).__name__} is not a decoded value")
    if callable(told):
        return told(content)
    return {name: _octets_as_hex(name, getattr(content, name)) for name in told}


def _octets_as_hex(name: str, value: Any) -> Any:
    if name == "uuid":
        return None if value is None else f"{value:04x}"
    return value.hex() if isinstance(value, bytes) else value


def _measurement(m: Measurement) -> Json:
    pressures = {"systolic": m.systolic, "diastolic": m.diastolic, "mean": m.mean}
    pulse_range = m.status.pulse_range.name.lower() if m.status else None
    return _told(m, pressures, pulse_range=pulse_range, failed=m.failed)


def _cuff_pressure(cuff: CuffPressure) -> Json:
    return _told(cuff, {"cuff_pressure": cuff.pressure})


def _told(content: Measurement | CuffPressure, pressures: dict[str, SFloat], **more: Any) -> Json:
    """words: as sent, which keep what a JSON number cannot: 120 and 120.0 differ."""
    numbers: dict[str, SFloat | None] = {**pressures, "pulse": content.pulse}
    return {
        **{name: _number(number) for name, number in pressures.items()},
        "unit": content.unit.value,
        "pulse": _number(content.pulse),
        "stamp": _text(content.stamp),
        "user_facing_time": _text(content.user_facing),
        "slot": content.user_id,
        "status": list(content.status.words()) if content.status else [],
        "status_raw": content.status.raw if content.status else None,
        **more,
        "absent": {name: number.absence.value for name, number in numbers.items() if number and number.absence},
        "words": {name: f"{number.word:#06x}" for name, number in numbers.items() if number},
        "flags": content.flags,
        "trailing": content.trailing.hex(),
    }


def _current_time(clock: CurrentTime) -> Json:
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


def _local_time(local: LocalTime) -> Json:
    return {
        "zone_minutes": _whole(local.zone, 60),
        "daylight_saving_minutes": _whole(local.daylight_saving, 60),
        "time_zone": local.time_zone,
        "dst_offset": local.dst_offset,
        "trailing": local.trailing.hex(),
    }


def _record_control(control: RecordControl) -> Json:
    return {
        "op": _name(control.op),
        "operator": _name(control.operator),
        "count": control.count,
        "request": _name(control.request),
        "result": _name(control.result),
        "operand": control.operand.hex(),
    }


def _user_control(control: UserControl) -> Json:
    """The consent code is a secret between a person and a cuff: only whether there is one is told."""
    return {
        "op": _name(control.op),
        "user_index": control.user_index,
        "consent_code_sent": control.consent_code is not None,
        "request": _name(control.request),
        "result": _name(control.result),
        "parameter": control.parameter.hex(),
    }


_ABILITIES = ("multiple_bonds", "e2e_crc", "user_data_service", "user_facing_time")
_TOLD: dict[type, tuple[str, ...] | Callable[[Any], Json]] = {
    str: lambda text: {"text": text},
    Measurement: _measurement,
    CuffPressure: _cuff_pressure,
    Status: lambda status: {
        "raw": status.raw,
        "status": list(status.words()),
        "pulse_range_reserved": status.pulse_range is PulseRange.RESERVED,
    },
    Feature: lambda feature: {
        "raw": feature.raw,
        "looks_out_for": list(feature.checks()),
        **{name: getattr(feature, name) for name in _ABILITIES},
        "trailing": feature.trailing.hex(),
    },
    DateTime: lambda time: {
        "wall_time": str(time),
        "usable": time.usable,
        "raw": time.raw.hex(),
        "trailing": time.trailing.hex(),
    },
    EpochTime: lambda time: {"wall_time": str(time), "seconds": time.seconds, "epoch": time.epoch},
    CurrentTime: _current_time,
    LocalTime: _local_time,
    ReferenceTime: lambda reference: {
        "source": reference.source_words,
        "accuracy_s": None if reference.drift is None else float(reference.drift),
        "hours_since_update": _whole(reference.since_update, 3600),
        "trailing": reference.trailing.hex(),
    },
    Segment: ("first", "last", "counter", "sequence", "uuid", "body"),
    Record: ("sequence", "uuid", "value", "crc_ok", "segments"),
    Gap: ("sequence", "uuid", "reason", "segments"),
    RecordControl: _record_control,
    UserControl: _user_control,
    SystemId: ("raw", "eui", "eui_if_reversed", "trailing"),
    PnpId: lambda pnp: {
        "source": pnp.source,
        "vendor": pnp.vendor,
        "product": pnp.product,
        "version": pnp.version_text,
        "trailing": pnp.trailing.hex(),
    },
    Battery: ("percent", "level", "trailing"),
    UserIndex: lambda user: {"user_index": user.index, "trailing": user.trailing.hex()},
}
"""By the type of a value: the fields that are told as they are, or how it is told."""


def plain_number(number: Decimal) -> int | float:
    """A JSON number: whole when the value was sent without decimals, else the nearest float."""
    return int(number) if number.as_tuple().exponent >= 0 else float(number)  # type: ignore[operator]


def _number(number: SFloat | Float | None) -> int | float | None:
    return None if number is None or number.value is None else plain_number(number.value)


def _whole(time: timedelta | None, unit_s: int) -> int | None:
    return None if time is None else int(time.total_seconds() // unit_s)


def _text(time: object | None) -> str | None:
    return None if time is None else str(time)


def _name(number: int | None) -> str | int | None:
    return number.name.lower().replace("_", " ") if isinstance(number, Enum) else number
