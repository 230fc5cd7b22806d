"""Characteristics that come to stand elsewhere, or stand twice: no record is taken for another thing, or lost."""

import asyncio
from pathlib import Path

import pytest
from air import fill, room
from bumble.att import Attribute, AttributeValue
from bumble.core import UUID
from bumble.gatt import GATT_CLIENT_CHARACTERISTIC_CONFIGURATION_DESCRIPTOR as CCCD
from bumble.gatt import Characteristic, Descriptor, Service
from kept import compared, store_sink

from collector.radio.virtual import Behaviour, VirtualCuff, gatt_table
from collector.radio.virtual.gatt_table import INDICATE, Table, TableMaker
from parsers.measurement import build_measurement, measurement
from parsers.uuids import Uuid

TELLS = Behaviour(tells_of_changes=True, lingers_s=0.6)


async def test_between_two_visits(tmp_path: Path) -> None:
    """It says so before anything else; what it sends next stands at a handle that nobody knows yet."""
    cuff = VirtualCuff(behaviour=TELLS)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            for _ in range(3):
                fill(cuff, 3)
                await air.wake()
                cuff.move_table()
        assert compared(sink.store, [cuff]).good
    assert cuff.memory.records == []


async def test_in_the_middle_of_a_visit(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=TELLS)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            fill(cuff, 2)
            await air.wake()
            waking = asyncio.ensure_future(air.wake())
            await asyncio.sleep(0.3)
            cuff.move_table()
            fill(cuff, 3)
            await waking
        assert compared(sink.store, [cuff]).good
    assert cuff.memory.records == []


async def test_a_cuff_with_two_blood_pressure_services(monkeypatch: pytest.MonkeyPatch) -> None:
    """The standard knows one; a cuff that has one for each of its users is subscribed to at both."""
    other = build_measurement(measurement(150, 95))
    make = TableMaker.make

    def with_another(self: TableMaker, *callables: object, **settings: int) -> Table:
        table = make(self, *callables, **settings)

        def configure(connection: object, _: bytes) -> None:
            send = cuff._plugged.device.send_value
            asyncio.get_running_loop().call_later(0.1, send, connection, second.handle, other, True)

        configuration = Descriptor(CCCD, Attribute.WRITEABLE, AttributeValue(None, configure))
        second = Characteristic(
            UUID.from_16_bits(Uuid.BLOOD_PRESSURE_MEASUREMENT),
            Characteristic.Properties(INDICATE),
            Attribute.Permissions(0),
            AttributeValue(lambda _: b"", None),
            [configuration],
        )
        table.services.append(Service(UUID.from_16_bits(Uuid.BLOOD_PRESSURE_SERVICE), [second]))
        return table

    monkeypatch.setattr(gatt_table.TableMaker, "make", with_another)
    cuff = VirtualCuff(behaviour=Behaviour(pairing=False, lingers_s=0.3))
    async with room(cuff) as air:
        records = fill(cuff, 2)
        await air.wake()
        assert sorted(air.sink.payloads) == sorted([*records, other])
        await air.wake()
        assert air.sink.payloads.count(other) == 2
