"""One table from a characteristic's number to its parser, its builder and its name."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from parsers.control import (
    RecordControl,
    UserControl,
    build_record_control,
    build_user_control,
    parse_record_control,
    parse_user_control,
)
from parsers.device import (
    Battery,
    PnpId,
    SystemId,
    UserIndex,
    build_battery,
    build_pnp_id,
    build_system_id,
    build_text,
    build_user_index,
    parse_battery,
    parse_pnp_id,
    parse_system_id,
    parse_text,
    parse_user_index,
)
from parsers.errors import ParseError
from parsers.intermediate import (
    CuffPressure,
    build_enhanced_intermediate,
    build_intermediate,
    parse_enhanced_intermediate,
    parse_intermediate,
)
from parsers.measurement import Measurement, build_enhanced, build_measurement, parse_enhanced, parse_measurement
from parsers.record import Segment, build_segment, parse_segment
from parsers.stamps import (
    CurrentTime,
    DateTime,
    LocalTime,
    ReferenceTime,
    build_current_time,
    build_date_time,
    build_local_time,
    build_reference_time,
    parse_current_time,
    parse_date_time,
    parse_local_time,
    parse_reference_time,
)
from parsers.status import Feature, build_feature, parse_feature
from parsers.uuids import Uuid, short

Decoded = (
    Measurement
    | CuffPressure
    | Feature
    | Segment
    | RecordControl
    | UserControl
    | DateTime
    | CurrentTime
    | LocalTime
    | ReferenceTime
    | SystemId
    | PnpId
    | Battery
    | UserIndex
    | str
)


@dataclass(frozen=True, slots=True)
class Format:
    """How the value of one characteristic is called, read and made."""

    name: str
    parse: Callable[[bytes], Decoded]
    build: Callable[[Any], bytes]


FORMATS: dict[int, Format] = {
    Uuid.BLOOD_PRESSURE_MEASUREMENT: Format("blood pressure measurement", parse_measurement, build_measurement),
    Uuid.INTERMEDIATE_CUFF_PRESSURE: Format("intermediate cuff pressure", parse_intermediate, build_intermediate),
    Uuid.BLOOD_PRESSURE_FEATURE: Format("blood pressure feature", parse_feature, build_feature),
    Uuid.ENHANCED_MEASUREMENT: Format("enhanced blood pressure measurement", parse_enhanced, build_enhanced),
    Uuid.ENHANCED_INTERMEDIATE: Format(
        "enhanced intermediate cuff pressure", parse_enhanced_intermediate, build_enhanced_intermediate
    ),
    Uuid.BLOOD_PRESSURE_RECORD: Format("blood pressure record", parse_segment, build_segment),
    Uuid.RECORD_ACCESS_CONTROL_POINT: Format("record access control point", parse_record_control, build_record_control),
    Uuid.USER_CONTROL_POINT: Format("user control point", parse_user_control, build_user_control),
    Uuid.USER_INDEX: Format("user index", parse_user_index, build_user_index),
    Uuid.DATE_TIME: Format("date time", parse_date_time, build_date_time),
    Uuid.CURRENT_TIME: Format("current time", parse_current_time, build_current_time),
    Uuid.LOCAL_TIME_INFORMATION: Format("local time information", parse_local_time, build_local_time),
    Uuid.REFERENCE_TIME_INFORMATION: Format("reference time information", parse_reference_time, build_reference_time),
    Uuid.BATTERY_LEVEL: Format("battery level", parse_battery, build_battery),
    Uuid.SYSTEM_ID: Format("system id", parse_system_id, build_system_id),
    Uuid.PNP_ID: Format("pnp id", parse_pnp_id, build_pnp_id),
    Uuid.MODEL_NUMBER: Format("model number", parse_text, build_text),
    Uuid.SERIAL_NUMBER: Format("serial number", parse_text, build_text),
    Uuid.FIRMWARE_REVISION: Format("firmware revision", parse_text, build_text),
    Uuid.HARDWARE_REVISION: Format("hardware revision", parse_text, build_text),
    Uuid.SOFTWARE_REVISION: Format("software revision", parse_text, build_text),
    Uuid.MANUFACTURER_NAME: Format("manufacturer name", parse_text, build_text),
}


def names() -> dict[int, str]:
    """Every characteristic that can be decoded: number to name."""
    return {uuid: format.name for uuid, format in FORMATS.items()}


def find(text: str) -> int | None:
    """The characteristic meant by '2a35', '0x2A35', a 128-bit UUID or a name of `names`; None if none."""
    wanted = " ".join(text.lower().replace("_", " ").replace("-", " ").split())
    by_name = {format.name: uuid for uuid, format in FORMATS.items()}
    number = by_name.get(wanted, short(text))
    return int(number) if number in FORMATS else None


def decode(uuid: int, value: bytes) -> Decoded:
    """The value of a characteristic as an object. Raises ParseError, also for one not known here."""
    known = FORMATS.get(uuid)
    if known is None:
        raise ParseError("characteristic", 0, f"{uuid:#06x} is not one that can be decoded")
    return known.parse(value)


def build(uuid: int, content: Decoded) -> bytes:
    """The octets of what `decode` gave. Raises ValueError when they cannot be made."""
    known = FORMATS.get(uuid)
    if known is None:
        raise ValueError(f"{uuid:#06x} is not a characteristic that can be built")
    return known.build(content)
