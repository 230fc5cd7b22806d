"""Which radio for whom: the exclusive one where nothing else here uses Bluetooth and its adapter passed a trial."""

import asyncio
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from collector.radio.errors import RadioUnavailable
from collector.radio.exclusive import rights
from collector.service.checks import bluetooth, bluetoothd
from collector.service.checks.finding import Finding, attention, fine

BACK_S = 15.0  # what BlueZ gets to switch an adapter on again
LOOK_S = 0.5
WARNING = "trying the adapter: Bluetooth is away for half a minute; keep a cuff or a phone awake beside it"
STAY = "stay with BlueZ, kind = 'bluez' under [radio]; a USB dongle of its own is another way"


@dataclass(frozen=True, slots=True)
class Advice:
    """Whether the exclusive radio is the one to take, and why (not)."""

    exclusive: bool
    findings: tuple[Finding, ...]


def advise(adapter: str | None, tell: Callable[[str], None]) -> Advice:
    """Try the adapter that the configuration names, else the first one. Needs a thread without an event loop.

    Not tried where anything but cuffs is paired over it: whatever the outcome, it would not be recommended.
    tell: hears of the trial just before it begins.
    """
    if lacking := rights.missing():
        return Advice(False, tuple(attention("exclusive radio", what, remedy) for what, remedy in lacking))
    name = adapter or next(iter(bluetooth.adapters()), "hci0")
    return asyncio.run(_advise(name, tell))


async def _advise(name: str, tell: Callable[[str], None]) -> Advice:
    from collector.radio.exclusive import trial

    before = await bluetoothd.objects()
    if others := bluetoothd.others(before, name):
        return Advice(
            False, (fine("exclusive radio", f"stay with BlueZ: {bluetoothd.named(others)} Bluetooth here too"),)
        )
    tell(WARNING)
    try:
        heard = await trial.try_adapter(rights.transport_of(name))
        if name in bluetoothd.powered(before):
            await _switched_on_again(name)
    except RadioUnavailable as error:
        return Advice(False, (attention("exclusive radio", f"no trial was passed: {error}", STAY),))
    found = [
        fine(
            "exclusive radio",
            f"{name} passed its trial: taken, reset, {heard} advertisements heard, given back as it was. Nothing but "
            "cuffs is paired here, so the exclusive radio is recommended: no record is confirmed before it is on disk, "
            "and a power cut costs none. `sudo quietcuff setup --radio exclusive` chooses it; cuffs pair once more",
        )
    ]
    if on_serial_line(name):
        found.append(
            fine(
                "exclusive radio",
                f"{name} hangs on a serial line, as a Raspberry Pi's own chip does. Such a chip may lose its firmware "
                "when it is taken; this one did not, but quietcuff was not tried on such hardware by its makers",
            )
        )
    return Advice(True, tuple(found))


async def _switched_on_again(name: str) -> None:
    until = time.monotonic() + BACK_S
    while name not in bluetoothd.powered(await bluetoothd.objects()):
        if time.monotonic() > until:
            raise RadioUnavailable(
                f"{name} was on before, and BlueZ has not switched it on again; `bluetoothctl power on` may help"
            )
        await asyncio.sleep(LOOK_S)


def on_serial_line(name: str, root: Path = Path("/sys/class/bluetooth")) -> bool:
    """Whether an adapter is a chip on the board's serial line (Linux drivers/tty/serdev/core.c names them so)."""
    return any(re.fullmatch(r"serial\d+(-\d+)?", part) for part in (root / name).resolve().parts)
