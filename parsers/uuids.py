"""The 16-bit numbers of services, characteristics and descriptors.

Source: Bluetooth SIG, Assigned Numbers, §3 (16-bit UUIDs).
"""

import re
from enum import IntEnum

_BASE = "-0000-1000-8000-00805f9b34fb"
_FORM = re.compile(rf"0x([0-9a-f]{{1,4}})|0000([0-9a-f]{{4}})(?:{_BASE})?|([0-9a-f]{{4}})", re.IGNORECASE)


class Uuid(IntEnum):
    """What the collector knows by number."""

    GENERIC_ATTRIBUTE_SERVICE = 0x1801
    CURRENT_TIME_SERVICE = 0x1805
    DEVICE_INFORMATION_SERVICE = 0x180A
    BATTERY_SERVICE = 0x180F
    BLOOD_PRESSURE_SERVICE = 0x1810
    USER_DATA_SERVICE = 0x181C

    CLIENT_CONFIGURATION = 0x2902

    SERVICE_CHANGED = 0x2A05
    DATABASE_HASH = 0x2B2A

    DATE_TIME = 0x2A08
    LOCAL_TIME_INFORMATION = 0x2A0F
    REFERENCE_TIME_INFORMATION = 0x2A14
    BATTERY_LEVEL = 0x2A19
    SYSTEM_ID = 0x2A23
    MODEL_NUMBER = 0x2A24
    SERIAL_NUMBER = 0x2A25
    FIRMWARE_REVISION = 0x2A26
    HARDWARE_REVISION = 0x2A27
    SOFTWARE_REVISION = 0x2A28
    MANUFACTURER_NAME = 0x2A29
    CURRENT_TIME = 0x2A2B
    BLOOD_PRESSURE_MEASUREMENT = 0x2A35
    INTERMEDIATE_CUFF_PRESSURE = 0x2A36
    BLOOD_PRESSURE_FEATURE = 0x2A49
    PNP_ID = 0x2A50
    RECORD_ACCESS_CONTROL_POINT = 0x2A52
    DATABASE_CHANGE_INCREMENT = 0x2A99
    USER_INDEX = 0x2A9A
    USER_CONTROL_POINT = 0x2A9F
    ENHANCED_MEASUREMENT = 0x2B34
    ENHANCED_INTERMEDIATE = 0x2B35
    BLOOD_PRESSURE_RECORD = 0x2B36


UNPLACED = 0
"""In place of a characteristic: the value came from a handle of which nobody knows yet what stands there. It is kept
with its handle, and means something once a discovery has told. The Bluetooth SIG assigns no such number."""


def full(uuid: int) -> str:
    """The 128-bit form, lower case (Core Specification Vol 3 Part B §2.5.1). Raises ValueError."""
    if not 0 <= uuid <= 0xFFFF:
        raise ValueError(f"{uuid:#x} is not a 16-bit UUID")
    return f"0000{uuid:04x}{_BASE}"


def short(text: str) -> int | None:
    """The 16-bit number of '2a35', '0x2A35', '00002A35' or the 128-bit form; None for anything else."""
    match = _FORM.fullmatch(text.strip())
    return int(match[match.lastindex or 0], 16) if match else None
