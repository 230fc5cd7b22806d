"""Is there an adapter, does BlueZ run, and may we ask it for what a visit needs?"""

from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from collector.radio.port import RadioUnavailable
from collector.service.checks.finding import Finding, attention, fine

if TYPE_CHECKING:
    from collector.radio.bluez.bus import BusError

BLUEZ = "org.bluez"
TIMEOUT_S = 4.0

Ask = Callable[..., Awaitable[list[Any]]]
"""ask(destination, path, interface, member, signature="", body=()): the answer's body, or `BusError`."""


def adapters(root: Path = Path("/sys/class/bluetooth")) -> list[str]:
    """The adapters that the kernel sees, such as ['hci0']."""
    return sorted(path.name for path in root.glob("hci*") if ":" not in path.name)


def blocked(root: Path = Path("/sys/class/rfkill")) -> str | None:
    """'hard' or 'soft' where a switch keeps Bluetooth off."""
    found = set()
    for switch in root.glob("rfkill*"):
        try:
            if (switch / "type").read_text().strip() == "bluetooth":
                found |= {kind for kind in ("hard", "soft") if (switch / kind).read_text().strip() == "1"}
        except OSError:
            continue
    return "hard" if "hard" in found else "soft" if found else None


def hardware(wanted: str | None, found: list[str], switch: str | None) -> Finding:
    """wanted: the adapter in the configuration, None for any."""
    if not found:
        return attention(
            "adapter",
            "this machine has no Bluetooth adapter that the kernel knows",
            "plug one in; `quietcuff demo` works without",
        )
    if wanted is not None and wanted not in found:
        return attention("adapter", f"{wanted} is not here; here is {', '.join(found)}", "mend adapter under [radio]")
    if switch is not None:
        remedy = "sudo rfkill unblock bluetooth" if switch == "soft" else "turn on the switch on the machine"
        return attention("adapter", f"{', '.join(found)} is blocked by a {switch} switch", remedy)
    return fine("adapter", ", ".join(found))


async def bluez(ask: Ask, wanted: str | None) -> list[Finding]:
    """What bluetoothd answers. The first thing that is wrong explains what would follow, so it ends there."""
    from collector.radio.bluez.bus import BusError

    try:
        (running,) = await ask(
            "org.freedesktop.DBus", "/org/freedesktop/DBus", "org.freedesktop.DBus", "NameHasOwner", "s", [BLUEZ]
        )
        if not running:
            return [attention("BlueZ", "bluetoothd does not run", "sudo systemctl enable --now bluetooth")]
        (objects,) = await ask(BLUEZ, "/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
    except BusError as error:
        return [_denied(error)]
    powered = {
        path.rsplit("/", 1)[-1]: bool(interfaces["org.bluez.Adapter1"]["Powered"].value)
        for path, interfaces in objects.items()
        if "org.bluez.Adapter1" in interfaces
    }
    on = [name for name, is_on in powered.items() if is_on and wanted in (None, name)]
    if not powered:
        return [attention("BlueZ", "bluetoothd has no adapter", "sudo systemctl restart bluetooth")]
    if not on:
        off = wanted or ", ".join(powered)
        return [attention("BlueZ", f"{off} is switched off", "bluetoothctl power on")]
    return [fine("BlueZ", f"runs, {', '.join(on)} is on"), await _agent(ask)]


async def _agent(ask: Ask) -> Finding:
    """Tries whether we may register a pairing agent, and takes it back."""
    from collector.radio.bluez.bus import BusError

    path = "/quietcuff/check"
    manager = (BLUEZ, "/org/bluez", "org.bluez.AgentManager1")
    try:
        await ask(*manager, "RegisterAgent", "os", [path, "NoInputNoOutput"])
        await ask(*manager, "UnregisterAgent", "o", [path])
    except BusError as error:
        found = _denied(error)
        return attention("pairing", f"no agent can be registered, so no cuff can pair: {error}", found.remedy)
    return fine("pairing", "an agent may be registered")


def _denied(error: "BusError") -> Finding:
    if error.name.endswith("AccessDenied"):
        return attention(
            "D-Bus rights",
            f"this user may not talk to bluetoothd: {error}",
            "sudo usermod -aG bluetooth $USER, then log in anew",
        )
    return attention("BlueZ", f"bluetoothd answered {error.name}: {error}", "sudo systemctl restart bluetooth")


def look(wanted: str | None) -> Iterator[Finding]:
    """All of it, over the system's own bus."""
    found = hardware(wanted, adapters(), blocked())
    yield found
    if found.remedy:
        return
    import asyncio

    try:
        yield from asyncio.run(_over_the_bus(wanted))
    except RadioUnavailable as error:
        yield attention("D-Bus", str(error), "sudo systemctl start dbus; in a container, share /run/dbus with it")


async def _over_the_bus(wanted: str | None) -> list[Finding]:
    from collector.radio.bluez.bus import Bus

    bus = await Bus.connect(TIMEOUT_S)

    async def ask(
        destination: str, path: str, interface: str, member: str, signature: str = "", body: Any = ()
    ) -> list[Any]:
        return await bus.call(path, interface, member, signature, body, destination=destination, timeout_s=TIMEOUT_S)

    try:
        return await bluez(ask, wanted)
    finally:
        await bus.close()
