"""Is there an adapter, and is it on? What bluetoothd says of it: `bluetoothd.py`."""

from collections.abc import Iterator
from pathlib import Path

from collector.radio.errors import RadioUnavailable
from collector.service.checks.finding import Finding, attention, fine


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


def findings(wanted: str | None) -> Iterator[Finding]:
    """All of it, over the system's own bus."""
    found = hardware(wanted, adapters(), blocked())
    yield found
    if found.remedy:
        return
    from collector.service.checks import bluetoothd  # D-Bus, 40 modules, only where there is an adapter

    try:
        yield from bluetoothd.over_the_bus(wanted)
    except RadioUnavailable as error:
        yield attention("D-Bus", str(error), "sudo systemctl start dbus; in a container, share /run/dbus with it")
