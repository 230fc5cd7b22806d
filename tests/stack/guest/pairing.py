"""Cuffs that show digits, have lost their bond, or name no service; a station that takes known ones alone.

Arguments: which scenes; else all.
"""

import asyncio
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from air import Air
from bumble.device import Connection
from bumble.pairing import PairingConfig, PairingDelegate
from desk import PULSE_S, Desk, Terminal
from lab import MANNER, Lab, emptied, fill, outcome
from machine import Collected, Program, listen
from report import say, step

from collector.radio.virtual.behaviour import Behaviour
from collector.radio.virtual.cuff import VirtualCuff
from collector.store import conditions
from collector.store.journal import manners
from collector.store.opening import open_store
from collector.store.readings import renewed_bonds

STORE = "/run/p.db"
DIGITS = 135790
SHOWS = Behaviour(
    passkey=DIGITS, demands_digits=True, interval_ms=250, lingers_s=2.0, patience_s=60.0, advertises_s=45.0
)
READS_AND_TYPES_S = 12.0  # longer than anything that hangs is waited for


class Display(PairingDelegate):
    """A cuff that shows a number and has a button for yes."""

    def __init__(self) -> None:
        super().__init__(PairingDelegate.IoCapability.DISPLAY_OUTPUT_AND_YES_NO_INPUT)
        self.shown: int | None = None

    async def compare_numbers(self, number: int, digits: int) -> bool:
        self.shown = number
        return True


class Station:
    def __init__(self, air: Air) -> None:
        self.air, self.desk, self.made = air, Desk(STORE), 0
        self.listener: Program

    async def open(self) -> None:
        Path("known.toml").write_text('[radio]\naccept = "known"\n')  # noqa: ASYNC240
        self.listener = listen(STORE, "--config", str(Path("known.toml").absolute()), name="listen-known")  # noqa: ASYNC240
        await self.listener.says("listening")
        await asyncio.sleep(4)

    async def cuff(self, behaviour: Behaviour) -> VirtualCuff:
        self.made += 1
        return await self.air.cuff(f"Cuff {self.made}", f"F0:F1:F2:F3:F5:{self.made:02X}", behaviour)

    def learned(self, cuff: VirtualCuff) -> list[str]:
        with open_store(Path(STORE), read_only=True) as store:
            return [one.kind for one in manners.of(store, cuff.address)]

    def last_outcome(self, cuff: VirtualCuff) -> str | None:
        with open_store(Path(STORE), read_only=True) as store:
            return manners.last_outcome(store, cuff.address)

    def told_of(self, cuff: VirtualCuff) -> str | None:
        with open_store(Path(STORE), read_only=True) as store:
            return next((one.text for one in conditions.current(store) if one.topic == f"bond {cuff.address}"), None)

    def marks(self, cuff: VirtualCuff) -> dict[int, list[str]]:
        """Of each reading of a cuff, by its systolic pressure."""
        return Collected(STORE).marks_of(cuff.address)

    async def has_bond(self, cuff: VirtualCuff) -> bool:
        process = await asyncio.create_subprocess_exec(
            *("busctl", "get-property", "org.bluez", "/org/bluez/hci0/dev_" + cuff.address.replace(":", "_")),
            *("org.bluez.Device1", "Bonded"),
            stdout=asyncio.subprocess.PIPE,
        )
        return b"true" in (await process.communicate())[0]


async def shows_digits(station: Station) -> None:
    """Nobody there; the wrong digits; the right ones, typed at the command itself; later visits with nobody there."""
    cuff = await station.cuff(SHOWS)
    station.desk.add(cuff.address)
    fill(cuff, 2)
    await cuff.wake()
    await asyncio.sleep(3)
    nobody: dict[str, Any] = {"delivered": len(cuff.confirmed), "learned": station.learned(cuff)}
    step("digits: nobody there", **nobody, ended=station.last_outcome(cuff))

    station.desk.stay(cuff.address)
    await asyncio.sleep(PULSE_S)
    typing = asyncio.create_task(station.desk.answer(cuff.address, DIGITS + 1, 1.0))
    await cuff.wake()
    await asyncio.sleep(3)
    step(
        "digits: wrong ones",
        delivered=len(cuff.confirmed),
        asked=typing.done(),
        ended=station.last_outcome(cuff),
        learned=station.learned(cuff),
    )
    typing.cancel()
    station.desk.leave(cuff.address)

    terminal = Terminal(STORE, cuff.address)
    there = await terminal.says("measure once")
    await asyncio.sleep(PULSE_S)
    typing = asyncio.create_task(terminal.types(str(DIGITS), READS_AND_TYPES_S))
    wakings = await emptied(cuff, 3)
    typing.cancel()
    status = await terminal.end()
    await outcome(
        "digits: the right ones", [cuff], STORE, there=there, wakings=wakings, status=status, said=terminal.said[-300:]
    )
    station.desk.leave(cuff.address)
    fill(cuff, 5)
    wakings = await emptied(cuff, 2)
    await outcome("digits: later visit", [cuff], STORE, wakings=wakings, bonded=await station.has_bond(cuff))


async def compares_number(station: Station) -> None:
    """It shows a number that this side shows as well, and asks whether they are the same."""
    cuff = await station.cuff(replace(SHOWS, passkey=None, asks_for_security=False))
    display = Display()

    def config(_: Connection) -> PairingConfig:
        random = PairingConfig.AddressType.RANDOM
        return PairingConfig(sc=True, mitm=True, bonding=True, delegate=display, identity_address_type=random)

    cuff._plugged.device.pairing_config_factory = config
    station.desk.add(cuff.address)
    station.desk.stay(cuff.address)
    fill(cuff, 2)
    comparing = asyncio.create_task(station.desk.answer(cuff.address, 1, 3.0))
    wakings = await emptied(cuff, 2)
    asked = comparing.result() if comparing.done() else None
    comparing.cancel()
    station.desk.leave(cuff.address)
    await outcome("number compared", [cuff], STORE, wakings=wakings, shown=display.shown, asked=asked)


async def borne_by_another(station: Station) -> None:
    """Somebody with a bonded cuff's address and no key shouts 250/10; then the cuff; then it has lost its bond."""
    cuff = await station.cuff(MANNER)
    station.desk.add(cuff.address)
    fill(cuff, 3)
    await emptied(cuff, 2)
    station.desk.leave(cuff.address)
    await asyncio.sleep(1)
    keys = cuff._plugged.device.keystore
    await cuff.unplug()
    other = VirtualCuff(cuff.name, cuff.address, replace(MANNER, pairing=False, ignores_subscription=True))
    await other.plug_in(station.air.link)
    other.measure(250, 10, 90, pulse=40)
    for _ in range(3):
        await other.wake()
        await asyncio.sleep(1)
    step(
        "borne by another",
        bonded=await station.has_bond(cuff),
        told=station.told_of(cuff),
        marks=station.marks(cuff).get(250),
        in_store=other.measured[0] in Collected(STORE).payloads,
        confirmed=len(other.confirmed),
    )
    await other.unplug()
    await cuff.plug_in(station.air.link)
    cuff._plugged.device.keystore = keys
    fill(cuff, 3)
    wakings = await emptied(cuff, 2)
    marks = station.marks(cuff)
    await outcome(
        "borne by another: the cuff itself",
        [cuff],
        STORE,
        others=sum(payload in Collected(STORE).payloads for payload in other.measured),
        wakings=wakings,
        marked=[systolic for systolic, found in marks.items() if "bond" in " ".join(found) and systolic != 250],
    )
    await renewed(station, cuff)


async def renewed(station: Station, cuff: VirtualCuff) -> None:
    """Its batteries were changed: nothing until its owner says so, and what comes then waits for a last word."""
    before = {int.from_bytes(payload[1:3], "little") for payload in cuff.measured}
    cuff.forget_bonds()
    fill(cuff, 3)
    await cuff.wake()
    kept = {"confirmed_before": len(cuff.confirmed), "bonded": await station.has_bond(cuff)}
    told = station.told_of(cuff)
    station.desk.add(cuff.address)
    wakings = await emptied(cuff, 4)
    await asyncio.sleep(1)
    marks = {systolic: found for systolic, found in station.marks(cuff).items() if systolic not in {*before, 250}}
    with open_store(Path(STORE)) as store:
        renewed_bonds.confirm(store, cuff.address, datetime.now(UTC))
    confirmed = {systolic: found for systolic, found in station.marks(cuff).items() if systolic in marks}
    station.desk.leave(cuff.address)
    step("renewed", **kept, told=told, wakings=wakings, marks=list(marks.values()), afterwards=list(confirmed.values()))


async def names_no_service(station: Station) -> None:
    """New, and its advertisement says nothing but its name: met because somebody gave its address."""
    cuff = await station.cuff(replace(MANNER, lists_service=False))
    station.desk.add(cuff.address)
    await asyncio.sleep(PULSE_S)
    fill(cuff, 2)
    first = await emptied(cuff, 2)
    station.desk.leave(cuff.address)
    await asyncio.sleep(2)
    fill(cuff, 3)
    later = await emptied(cuff, 2)
    await outcome("new and names no service", [cuff], STORE, wakings=[first, later])


SCENES = {"digits": shows_digits, "number": compares_number, "another": borne_by_another, "unnamed": names_no_service}


async def main() -> None:
    lab = Lab()
    await lab.begin(listener=False)
    station = Station(lab.air)
    await station.open()
    for name in sys.argv[1:] or SCENES:
        say(name)
        try:
            await asyncio.wait_for(SCENES[name](station), 400)
        except Exception as error:
            step(f"{name} failed", why=f"{type(error).__name__}: {error}")
    await station.listener.end()
    said = station.listener.said()
    step(
        "known only: the end",
        status=station.listener.process.returncode,
        tracebacks=sum("Traceback" in line for line in said.splitlines()),
    )


asyncio.run(main())
