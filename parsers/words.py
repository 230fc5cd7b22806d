"""Decoded values in plain words: pairs of what it is and what it says, in the order they were sent."""

from datetime import timedelta
from functools import singledispatch

from parsers.control import RecordControl, UserControl
from parsers.device import VENDOR_SOURCES, Battery, PnpId, SystemId, UserIndex
from parsers.intermediate import CuffPressure
from parsers.measurement import UNKNOWN_USER, Measurement
from parsers.record import FIRST, LAST, Gap, Record, Segment
from parsers.sfloat import SFloat
from parsers.stamps import CurrentTime, DateTime, EpochTime, LocalTime, ReferenceTime
from parsers.status import Feature, PulseRange, Status, assessed

Lines = list[tuple[str, str]]


@singledispatch
def describe(content: object, feature: Feature | None = None) -> Lines:
    """Label and words, one pair a line. feature: of the same cuff, tells 'not assessed' from 'no'."""
    raise TypeError(f"{type(content).__name__} is not a decoded value")


@describe.register
def _(text: str, feature: Feature | None = None) -> Lines:
    return [("text", text or "(empty)")]


@describe.register
def _(m: Measurement, feature: Feature | None = None) -> Lines:
    lines = [
        ("systolic", _pressure(m.systolic, m.unit.value)),
        ("diastolic", _pressure(m.diastolic, m.unit.value)),
        ("mean arterial pressure", _pressure(m.mean, m.unit.value)),
    ]
    if m.failed:
        lines.append(("note", "neither pressure was obtained: an attempt, not a reading"))
    return lines + _optional(m, feature, m.reserved_flags)


@describe.register
def _(cuff: CuffPressure, feature: Feature | None = None) -> Lines:
    lines = [
        ("cuff pressure", _pressure(cuff.pressure, cuff.unit.value)),
        ("note", "a pressure on the way, not a measurement"),
    ]
    return lines + _optional(cuff, feature, cuff.flags & (0xE0 if cuff.unused else 0x80))


def _optional(content: Measurement | CuffPressure, feature: Feature | None, reserved: int) -> Lines:
    lines: Lines = []
    stamp, user = content.stamp, content.user_id
    if isinstance(stamp, DateTime):
        lines.append(("time stamp", _wall(stamp)))
    elif isinstance(stamp, EpochTime):
        lines.append(("base time", _wall(stamp)))
    if content.user_facing is not None:
        lines.append(("user facing time", _wall(content.user_facing)))
    if content.pulse is not None:
        lines.append(("pulse", _pressure(content.pulse, "beats/min")))
    if user is not None:
        who = "255, the cuff does not know who" if user == UNKNOWN_USER else str(user)
        lines.append(("slot (User ID)", who))
    if content.status is not None or feature is not None:
        lines += _checks(content.status, feature)
    if reserved:
        lines.append(("reserved flags", f"{reserved:#04x}, ignored"))
    return lines + _trailing(content.trailing)


def _checks(status: Status | None, feature: Feature | None) -> Lines:
    lines = list(assessed(status, feature).items())
    if status is None:
        return lines
    words = {PulseRange.ABOVE: "yes, above", PulseRange.BELOW: "yes, below"}
    lines = [
        (label, words.get(status.pulse_range, verdict) if label == "pulse out of range" else verdict)
        for label, verdict in lines
    ]
    if status.pulse_range is PulseRange.RESERVED:
        lines.append(("pulse range", "reserved value, ignored"))
    if status.reserved:
        lines.append(("reserved status bits", f"{status.reserved:#06x}, ignored"))
    return lines


@describe.register
def _(status: Status, feature: Feature | None = None) -> Lines:
    return _checks(status, feature)


@describe.register
def _(content: Feature, feature: Feature | None = None) -> Lines:
    abilities = (
        ("several bonds", content.multiple_bonds),
        ("end-to-end CRC", content.e2e_crc),
        ("User Data Service", content.user_data_service),
        ("user facing time", content.user_facing_time),
    )
    lines = [("looks out for", ", ".join(content.checks()) or "nothing")]
    lines += [(label, "yes" if able else "no") for label, able in abilities]
    if content.raw & 0xFE00:
        lines.append(("reserved bits", f"{content.raw & 0xFE00:#06x}, ignored"))
    return lines + _trailing(content.trailing)


@describe.register
def _(time: DateTime, feature: Feature | None = None) -> Lines:
    return [("date and time", _wall(time)), *_trailing(time.trailing)]


@describe.register
def _(time: EpochTime, feature: Feature | None = None) -> Lines:
    return [("date and time", _wall(time))]


@describe.register
def _(clock: CurrentTime, feature: Feature | None = None) -> Lines:
    days = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
    day = clock.day_of_week
    naive = clock.naive()
    named = "unknown" if day is None else days[day - 1] if day <= 7 else f"reserved ({day})"
    return [
        ("wall time", naive.isoformat(" ") if naive else _wall(clock.date_time)),
        ("day of week", named),
        ("adjusted", ", ".join(clock.adjusted_by) or "no reason given"),
        *_trailing(clock.trailing),
    ]


@describe.register
def _(local: LocalTime, feature: Feature | None = None) -> Lines:
    zone, saving = local.zone, local.daylight_saving
    return [
        ("standard time", f"unknown (code {local.time_zone})" if zone is None else f"UTC{_offset(zone)}"),
        ("daylight saving", f"unknown (code {local.dst_offset})" if saving is None else _offset(saving)),
        *_trailing(local.trailing),
    ]


@describe.register
def _(reference: ReferenceTime, feature: Feature | None = None) -> Lines:
    since = reference.since_update
    accuracy = {254: "more than 31.625 s", 255: "unknown"}.get(reference.accuracy, f"{reference.drift} s")
    return [
        ("source of the time", reference.source_words),
        ("accuracy", accuracy),
        ("last update", "unknown" if since is None else f"{reference.days} d {reference.hours} h ago"),
        *_trailing(reference.trailing),
    ]


@describe.register
def _(segment: Segment, feature: Feature | None = None) -> Lines:
    place = ("middle", "first", "last", "whole record")[segment.header & (FIRST | LAST)]
    lines = [("segment", f"{place}, counter {segment.counter}")]
    if segment.sequence is not None and segment.uuid is not None:
        lines += [("sequence number", str(segment.sequence)), ("holds a value of", f"0x{segment.uuid:04X}")]
    return [*lines, ("octets", segment.body.hex(" ") or "none")]


@describe.register
def _(record: Record, feature: Feature | None = None) -> Lines:
    check = {True: "right", False: "WRONG", None: "none sent"}
    return [
        ("sequence number", str(record.sequence)),
        ("holds a value of", f"0x{record.uuid:04X}"),
        ("octets", record.value.hex(" ") or "none"),
        ("check", check[record.crc_ok]),
    ]


@describe.register
def _(gap: Gap, feature: Feature | None = None) -> Lines:
    number = "unknown" if gap.sequence is None else str(gap.sequence)
    return [("record lost", gap.reason), ("sequence number", number)]


@describe.register
def _(control: RecordControl, feature: Feature | None = None) -> Lines:
    lines = [("op code", _name(control.op)), ("operator", _name(control.operator))]
    if control.count is not None:
        lines.append(("number of records", str(control.count)))
    return [*lines, *_answer(control), *_octets("operand", control.operand)]


@describe.register
def _(control: UserControl, feature: Feature | None = None) -> Lines:
    lines = [("op code", _name(control.op))]
    if control.user_index is not None:
        lines.append(("user index", str(control.user_index)))
    if control.consent_code is not None:
        lines.append(("consent code", "sent, not shown"))
    return [*lines, *_answer(control), *_octets("parameter", control.parameter)]


def _answer(control: RecordControl | UserControl) -> Lines:
    if control.request is None or control.result is None:
        return []
    return [("answer to", _name(control.request)), ("result", _name(control.result))]


@describe.register
def _(system: SystemId, feature: Feature | None = None) -> Lines:
    return [
        ("EUI-64", system.eui),
        ("if sent highest octet first", system.eui_if_reversed),
        *_trailing(system.trailing),
    ]


@describe.register
def _(pnp: PnpId, feature: Feature | None = None) -> Lines:
    given_by = VENDOR_SOURCES.get(pnp.source, f"source {pnp.source}")
    return [
        ("vendor", f"{pnp.vendor:#06x}, given by {given_by}"),
        ("product", f"{pnp.product:#06x}"),
        ("version", pnp.version_text),
        *_trailing(pnp.trailing),
    ]


@describe.register
def _(battery: Battery, feature: Feature | None = None) -> Lines:
    level = f"reserved value {battery.level}" if battery.percent is None else f"{battery.percent} %"
    return [("battery", level), *_trailing(battery.trailing)]


@describe.register
def _(user: UserIndex, feature: Feature | None = None) -> Lines:
    index = "unknown user" if user.index == UNKNOWN_USER else str(user.index)
    return [("user index", index), *_trailing(user.trailing)]


def _pressure(number: SFloat, unit: str) -> str:
    return f"{number} {unit}" if number.absence is None else f"none: {number.absence.words}"


def _wall(time: DateTime | EpochTime) -> str:
    text = str(time).replace("T", " ")
    if time.naive() is not None or not isinstance(time, DateTime):
        return text
    unknown = [part for part in ("year", "month", "day") if getattr(time, part) is None]
    return f"{text} ({', '.join(unknown)} unknown)" if unknown else f"{text} (cannot be)"


def _offset(offset: timedelta) -> str:
    minutes = int(offset.total_seconds() // 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}"


def _name(number: int) -> str:
    name = getattr(number, "name", None)
    return f"reserved ({number:#04x})" if name is None else str(name).lower().replace("_", " ")


def _octets(label: str, octets: bytes) -> Lines:
    return [(label, octets.hex(" "))] if octets else []


def _trailing(octets: bytes) -> Lines:
    return _octets("octets beyond the format", octets)
