"""Our clock, served to cuffs that read their collector's: the Current Time Service on our side of the link."""

from bumble.att import ATT_Error, Attribute, AttributeValue
from bumble.core import UUID
from bumble.device import Connection
from bumble.gatt import Characteristic, Service

from collector.radio import own_clock
from parsers.uuids import Uuid

NOT_NOW = 0x0E  # ATT: Unlikely Error


def current_time_service(zone: str | None) -> Service:
    """Current Time (0x2A2B), read. zone: IANA name of the wall clock; None: this machine's.

    Refused while our own clock cannot be right. Not notified: no cuff stays long enough to be told of a change.
    """

    def read(_: Connection) -> bytes:
        served = own_clock.served(zone)
        if served is None:
            raise ATT_Error(error_code=NOT_NOW)
        return served

    clock: Characteristic[bytes] = Characteristic(
        UUID.from_16_bits(Uuid.CURRENT_TIME),
        Characteristic.Properties.READ,
        Attribute.READABLE,
        AttributeValue(read, None),
    )
    return Service(UUID.from_16_bits(Uuid.CURRENT_TIME_SERVICE), [clock])
