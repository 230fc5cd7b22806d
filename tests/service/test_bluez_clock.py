"""Our clock served over BlueZ to cuffs that read their collector's: the application that bluetoothd takes up."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path

import pytest
from dbus_fast import Message, MessageType
from played_bluez import CHARACTERISTIC_1, SERVICE_1, PlayedBlueZ
from played_listening import Listening, answers

from parsers.stamps import parse_current_time
from parsers.uuids import Uuid, full

pytestmark = pytest.mark.system


async def asked(bluez: PlayedBlueZ, path: str, interface: str, member: str, signature: str = "", *body) -> Message:
    """As bluetoothd asks whoever registered the application."""
    assert bluez.application is not None
    name, _ = bluez.application
    answer = await bluez.call(
        Message(destination=name, path=path, interface=interface, member=member, signature=signature, body=list(body))
    )
    assert answer is not None
    return answer


@pytest.mark.parametrize("right", [True, False])
async def test_bluetoothd_is_offered_current_time_unless_our_clock_cannot_be_right(
    right: bool, address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.radio.own_clock.trustworthy", lambda now: right)
    bluez = PlayedBlueZ(answers)
    await bluez.serve(address)
    service = Listening(tmp_path / "store.db")
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    assert bluez.application is not None
    offered = await asked(bluez, bluez.application[1], "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
    (objects,) = offered.body
    assert any("org.bluez.GattProfile1" in interfaces for interfaces in objects.values()), "as before"
    ((service_path, of_service),) = [(p, one[SERVICE_1]) for p, one in objects.items() if SERVICE_1 in one]
    ((path, of_clock),) = [(p, one[CHARACTERISTIC_1]) for p, one in objects.items() if CHARACTERISTIC_1 in one]
    assert of_service["UUID"].value == full(Uuid.CURRENT_TIME_SERVICE)
    assert of_service["Primary"].value is True
    assert (of_clock["UUID"].value, of_clock["Service"].value) == (full(Uuid.CURRENT_TIME), service_path)
    assert of_clock["Flags"].value == ["read"]
    read = await asked(bluez, path, CHARACTERISTIC_1, "ReadValue", "a{sv}", {})
    if right:
        told = parse_current_time(bytes(read.body[0])).date_time.naive()
        now = datetime.now(UTC).astimezone().replace(tzinfo=None)
        assert told is not None
        assert abs((told - now).total_seconds()) < 60
    else:
        assert read.message_type is MessageType.ERROR
        assert read.error_name == "org.bluez.Error.Failed"
    await service.end()
    bluez.stop()
