"""The GATT table of a virtual cuff: the services and properties of a Blood Pressure Profile sensor."""

from collections.abc import Callable
from dataclasses import dataclass, field

from bumble.att import Attribute, AttributeValue
from bumble.core import UUID
from bumble.device import Connection
from bumble.gatt import GATT_CHARACTERISTIC_USER_DESCRIPTION_DESCRIPTOR as IN_WORDS
from bumble.gatt import GATT_CLIENT_CHARACTERISTIC_CONFIGURATION_DESCRIPTOR as CCCD
from bumble.gatt import Characteristic, Descriptor, Service

from collector.radio.virtual.behaviour import Behaviour
from parsers.uuids import Uuid

READ, WRITE_COMMAND, WRITE, NOTIFY, INDICATE = 0x02, 0x04, 0x08, 0x10, 0x20
OnRead = Callable[[Connection], bytes]
OnWrite = Callable[[Connection, bytes], None]


@dataclass
class Table:
    """The services, and where what stands once they are served."""

    services: list[Service]
    characteristics: dict[int, Characteristic[bytes]]
    descriptors: dict[int, Descriptor] = field(default_factory=dict)  # configurations, by characteristic

    def short_at(self, handle: int) -> tuple[int, bool] | None:
        """Which characteristic stands at a handle, and whether it is its configuration."""
        for short, characteristic in self.characteristics.items():
            if characteristic.handle == handle:
                return short, False
        for short, descriptor in self.descriptors.items():
            if descriptor.handle == handle:
                return short, True
        return None


class TableMaker:
    """Lays out the table for a behaviour. The callables answer reads and take writes."""

    def __init__(
        self,
        behaviour: Behaviour,
        configure: Callable[[Connection, int, bytes], None],
        configured: Callable[[Connection, int], bytes],
    ) -> None:
        self._behaviour, self._configure, self._configured = behaviour, configure, configured
        self._table = Table([], {})

    def characteristic(
        self,
        short: int,
        properties: int,
        read: OnRead | bytes | None = None,
        write: OnWrite | None = None,
        guarded: bool = False,
    ) -> Characteristic[bytes]:
        """guarded: the configuration may be written over an encrypted link only."""
        permissions = Attribute.Permissions(0)
        if read is not None:
            permissions |= Attribute.READABLE
        if write is not None:
            permissions |= Attribute.WRITEABLE
            if guarded:
                permissions |= Attribute.WRITE_REQUIRES_ENCRYPTION
        descriptors = []
        if short in (Uuid.BLOOD_PRESSURE_MEASUREMENT, Uuid.ENHANCED_MEASUREMENT) and self._behaviour.described_in_words:
            words = AttributeValue(lambda _: b"Blood pressure", None)
            descriptors.append(Descriptor(IN_WORDS, Attribute.READABLE, words))
        if properties & (NOTIFY | INDICATE):
            guard = Attribute.WRITE_REQUIRES_ENCRYPTION if guarded else Attribute.Permissions(0)
            self._table.descriptors[short] = Descriptor(
                CCCD,
                Attribute.READABLE | Attribute.WRITEABLE | guard,
                AttributeValue(
                    lambda connection: self._configured(connection, short),
                    lambda connection, value: self._configure(connection, short, value),
                ),
            )
            descriptors.append(self._table.descriptors[short])
        value = AttributeValue(read if callable(read) else lambda _: read or b"", write)
        made: Characteristic[bytes] = Characteristic(
            uuid=UUID.from_16_bits(short),
            properties=Characteristic.Properties(properties),
            permissions=permissions,
            value=value,
            descriptors=descriptors,
        )
        self._table.characteristics[short] = made
        return made

    def make(self, clock: OnRead, set_clock: OnWrite, control: OnWrite, users: OnWrite, moved: int = 0) -> Table:
        """moved: everything but Service Changed stands so many places further down."""
        behaviour, guarded = self._behaviour, self._behaviour.pairing
        measured = Uuid.ENHANCED_MEASUREMENT if behaviour.enhanced else Uuid.BLOOD_PRESSURE_MEASUREMENT
        properties = INDICATE if behaviour.measurement_properties is None else behaviour.measurement_properties
        features = behaviour.features.to_bytes(2, "little")
        pressure = [
            self.characteristic(measured, properties, guarded=guarded),
            self.characteristic(Uuid.BLOOD_PRESSURE_FEATURE, READ, features),
        ]
        if behaviour.keeps_records:
            point = Uuid.RECORD_ACCESS_CONTROL_POINT
            pressure += [
                self.characteristic(Uuid.BLOOD_PRESSURE_RECORD, NOTIFY, guarded=guarded),
                self.characteristic(point, WRITE | INDICATE, None, control, guarded),
            ]
        if behaviour.tells_of_changes:
            changed = self.characteristic(Uuid.SERVICE_CHANGED, INDICATE)
            self._serve(Uuid.GENERIC_ATTRIBUTE_SERVICE, [changed])
        for place in range(moved):
            self._serve(0xF000 + place, [])
        way = WRITE_COMMAND if behaviour.clock_unanswered else WRITE
        settable = way if behaviour.clock_settable else 0
        write = set_clock if behaviour.clock_settable else None
        if behaviour.clock == "date time":
            pressure.append(self.characteristic(Uuid.DATE_TIME, READ | settable, clock, write))
        for extra in range(behaviour.extra_characteristics):
            pressure.append(self.characteristic(0xF000 + extra, READ, b"?"))
        self._serve(Uuid.BLOOD_PRESSURE_SERVICE, pressure)
        if behaviour.clock == "current time":
            self._serve(
                Uuid.CURRENT_TIME_SERVICE, [self.characteristic(Uuid.CURRENT_TIME, READ | settable, clock, write)]
            )
        self._serve(
            Uuid.DEVICE_INFORMATION_SERVICE,
            [
                self.characteristic(short, READ, value.ljust(behaviour.long_values, b"x"))
                for short, value in behaviour.device.items()
            ],
        )
        if behaviour.battery is not None:
            self._serve(
                Uuid.BATTERY_SERVICE, [self.characteristic(Uuid.BATTERY_LEVEL, READ, bytes([behaviour.battery]))]
            )
        if behaviour.database_hash is not None:
            self._serve(
                Uuid.GENERIC_ATTRIBUTE_SERVICE, [self.characteristic(Uuid.DATABASE_HASH, READ, behaviour.database_hash)]
            )
        if behaviour.consent is not None or behaviour.users:
            self._serve(
                Uuid.USER_DATA_SERVICE,
                [self.characteristic(Uuid.USER_CONTROL_POINT, WRITE | INDICATE, None, users, guarded)],
            )
        return self._table

    def _serve(self, short: int, characteristics: list[Characteristic[bytes]]) -> None:
        self._table.services.append(Service(UUID.from_16_bits(short), characteristics))
