"""What bluetoothd says over D-Bus: does it run, what is paired over it, and may we ask it for what a visit needs?"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from collector.radio.bluez.bus import ADAPTER, BLUEZ, DEVICE, Bus, BusError
from collector.radio.errors import RadioUnavailable
from collector.service.checks.finding import Finding, attention, fine
from parsers.uuids import Uuid, full

TIMEOUT_S = 4.0

Objects = Mapping[str, Mapping[str, Mapping[str, Any]]]
"""What GetManagedObjects answers: by path and interface the properties, each a D-Bus variant."""

Ask = Callable[..., Awaitable[list[Any]]]
"""ask(destination, path, interface, member, signature="", body=()): the answer's body, or `BusError`."""


async def findings(ask: Ask, wanted: str | None) -> list[Finding]:
    """What bluetoothd answers. The first thing that is wrong explains what would follow, so it ends there."""
    try:
        (running,) = await ask(
            "org.freedesktop.DBus", "/org/freedesktop/DBus", "org.freedesktop.DBus", "NameHasOwner", "s", [BLUEZ]
        )
        if not running:
            return [attention("BlueZ", "bluetoothd does not run", "sudo systemctl enable --now bluetooth")]
        (objects,) = await ask(BLUEZ, "/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
    except BusError as error:
        return [_denied(error)]
    there = [path.rsplit("/", 1)[-1] for path, interfaces in objects.items() if ADAPTER in interfaces]
    on = [name for name in powered(objects) if wanted in (None, name)]
    if not there:
        return [attention("BlueZ", "bluetoothd has no adapter", "sudo systemctl restart bluetooth")]
    if not on:
        off = wanted or ", ".join(there)
        return [attention("BlueZ", f"{off} is switched off", "bluetoothctl power on")]
    return [fine("BlueZ", f"runs, {', '.join(on)} is on"), choice(others(objects, wanted)), await _agent(ask)]


def powered(objects: Objects) -> list[str]:
    """The adapters that BlueZ has switched on."""
    return [
        path.rsplit("/", 1)[-1]
        for path, interfaces in objects.items()
        if ADAPTER in interfaces and interfaces[ADAPTER]["Powered"].value
    ]


def others(objects: Objects, wanted: str | None) -> list[str]:
    """By name, what else than cuffs is paired or connected over an adapter; None: over any."""
    found = []
    for path, interfaces in objects.items():
        device = interfaces.get(DEVICE)
        if device is None or wanted not in (None, path.split("/")[3]):
            continue
        said = {key: value.value for key, value in device.items()}
        in_use = said.get("Paired") or said.get("Connected")
        if in_use and full(Uuid.BLOOD_PRESSURE_SERVICE) not in said.get("UUIDs", ()):
            found.append(str(said.get("Alias") or said.get("Address") or path))
    return sorted(found)


def choice(others: list[str]) -> Finding:
    """What is to be said of the choice of radio while records come over BlueZ."""
    if others:
        return fine("which radio", f"over BlueZ, as {named(others)} Bluetooth too")
    return fine(
        "which radio",
        "over BlueZ; where this computer uses Bluetooth for cuffs alone, `sudo quietcuff check --trial` tells whether "
        "its adapter is fit for the exclusive radio, with which a power cut costs no record",
    )


def named(others: list[str]) -> str:
    """'Keys 1' uses, or 'Keys 1', 'Ears' use."""
    return f"{', '.join(repr(one) for one in others[:3])} {'uses' if len(others) == 1 else 'use'}"


async def objects() -> Objects:
    """All that BlueZ knows; nothing where it does not run, or may not be asked."""
    try:
        bus = await Bus.connect(TIMEOUT_S)
    except RadioUnavailable:
        return {}
    try:
        call = bus.call("/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects", timeout_s=TIMEOUT_S)
        (found,) = await call
        return dict(found)
    except (BusError, RadioUnavailable):
        return {}
    finally:
        await bus.close()


async def _agent(ask: Ask) -> Finding:
    """Tries whether we may register a pairing agent, and takes it back."""
    path = "/quietcuff/check"
    manager = (BLUEZ, "/org/bluez", "org.bluez.AgentManager1")
    try:
        await ask(*manager, "RegisterAgent", "os", [path, "NoInputNoOutput"])
        await ask(*manager, "UnregisterAgent", "o", [path])
    except BusError as error:
        found = _denied(error)
        return attention("pairing", f"no agent can be registered, so no cuff can pair: {error}", found.remedy)
    return fine("pairing", "an agent may be registered")


def _denied(error: BusError) -> Finding:
    if error.name.endswith("AccessDenied"):
        return attention(
            "D-Bus rights",
            f"this user may not talk to bluetoothd: {error}",
            "sudo usermod -aG bluetooth $USER, then log in anew",
        )
    return attention("BlueZ", f"bluetoothd answered {error.name}: {error}", "sudo systemctl restart bluetooth")


def over_the_bus(wanted: str | None) -> list[Finding]:
    """Over the system's own bus. wanted: the adapter in the configuration, None for any. Raises RadioUnavailable."""
    return asyncio.run(_over_the_bus(wanted))


async def _over_the_bus(wanted: str | None) -> list[Finding]:
    bus = await Bus.connect(TIMEOUT_S)

    async def ask(
        destination: str, path: str, interface: str, member: str, signature: str = "", body: Any = ()
    ) -> list[Any]:
        return await bus.call(path, interface, member, signature, body, destination=destination, timeout_s=TIMEOUT_S)

    try:
        return await findings(ask, wanted)
    finally:
        await bus.close()
