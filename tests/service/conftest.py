"""A message bus of our own in place of the system's, for tests that say `address`."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from systembus import private_bus


@pytest.fixture
def address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    with private_bus(tmp_path) as environment:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", environment["DBUS_SYSTEM_BUS_ADDRESS"])
        yield environment["DBUS_SYSTEM_BUS_ADDRESS"]


@pytest.fixture
def no_links(monkeypatch: pytest.MonkeyPatch) -> None:
    """No Bluetooth in this kernel: it cannot be asked for links."""
    monkeypatch.setattr("collector.radio.bluez.connecting.links_now", lambda: None)
