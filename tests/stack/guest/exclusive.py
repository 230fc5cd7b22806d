"""The exclusive radio on the kernel's user channel: takes the adapter from bluetoothd, and gives it back.

Argument: 'trial' for a trial of the adapter first.
"""

import asyncio
import sys
from pathlib import Path

from air import Air
from machine import QUIETCUFF, Collected, listen, start_bluetoothd, start_dbus
from one_visit import visit
from report import say, step

from collector.radio.virtual.behaviour import Behaviour

STORE = "/run/exclusive/quietcuff.db"
OPTIONS = ("--radio", "exclusive", "--adapter", "hci0")
MANNER = Behaviour(interval_ms=250, lingers_s=3.0, patience_s=60.0, advertises_s=60.0)


async def bluez_has_adapter(timeout_s: float = 30) -> bool:
    """Whether bluetoothd shows a controller, now or soon."""
    for _ in range(int(timeout_s)):
        process = await asyncio.create_subprocess_exec(
            "bluetoothctl", "list", stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL
        )
        out, _ = await process.communicate()
        if b"Controller" in out:
            return True
        await asyncio.sleep(1)
    return False


async def trial(air: Air) -> dict[str, object]:
    """`check --trial` beside a cuff that is awake: its findings and exit code, and whether BlueZ has the adapter on."""
    neighbour = await air.cuff("Neighbour", "F0:F1:F2:F3:F4:F6", MANNER)
    waking = asyncio.create_task(neighbour.wake())
    process = await asyncio.create_subprocess_exec(
        *QUIETCUFF, "check", "--trial", "--json", stdout=asyncio.subprocess.PIPE
    )
    out, _ = await process.communicate()
    shown = await asyncio.create_subprocess_exec("bluetoothctl", "show", stdout=asyncio.subprocess.PIPE)
    powered = b"Powered: yes" in (await shown.communicate())[0]
    await waking
    return {"status": process.returncode, "said": out.decode(), "powered": powered}


async def main() -> None:
    Path(STORE).parent.mkdir()
    say("starting D-Bus, the controller and bluetoothd")
    await start_dbus()
    air = Air()
    await air.plug_controller(0)
    await start_bluetoothd()
    step("before", bluez=await bluez_has_adapter(60))
    power = await asyncio.create_subprocess_exec("bluetoothctl", "power", "on", stdout=asyncio.subprocess.DEVNULL)
    await power.wait()
    if "trial" in sys.argv:
        say("the adapter's trial")
        step("trial", **await trial(air))
    listener = listen(STORE, *OPTIONS)
    await listener.says("is ours")
    await asyncio.sleep(3)
    step("while it listens", bluez=await bluez_has_adapter(1))
    cuff = await air.cuff("Lab cuff", "F0:F1:F2:F3:F4:F5", MANNER)
    say("first visit")
    step("first visit", **await visit(cuff, 3, STORE))
    say("a later one, and a second listener asks for the same adapter meanwhile")
    other = listen("/run/other.db", *OPTIONS, name="listen-other")
    step("later visit", **await visit(cuff, 5, STORE))
    await other.says("is in use")
    await other.end()
    say("listen killed and started again")
    await listener.end(9)
    listener = listen(STORE, *OPTIONS)
    await listener.says("is ours")
    step("after listen was killed", **await visit(cuff, 5, STORE))
    seconds = await listener.end()
    step("clean end", seconds=round(seconds, 1), status=listener.process.returncode)
    step("given back", bluez=await bluez_has_adapter())
    found = Collected(STORE)
    step(
        "store",
        readings=found.readings,
        payloads=found.payloads.total(),
        sources=dict(found.sources),
        conditions=found.conditions,
    )


asyncio.run(main())
