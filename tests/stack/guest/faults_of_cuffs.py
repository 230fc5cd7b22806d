"""Faults and oddities of cuffs: private addresses, haste, lost bonds, many at once."""

import asyncio
import dataclasses
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from lab import MANNER, STORE, Lab, emptied, fill, outcome
from machine import Collected, start_bluetoothd
from report import say, step


async def no_service_named(lab: Lab) -> None:
    """A bonded cuff that no longer lists its service when it advertises."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    cuff.behaviour = replace(cuff.behaviour, lists_service=False)
    for _ in range(3):
        fill(cuff, 5)
        await cuff.wake()
        await asyncio.sleep(1)
    await outcome("no service named", [cuff], visits=3)


async def private_address(lab: Lab) -> None:
    """A cuff with a private address that changes each time it wakes."""
    cuff = await lab.cuff(dataclasses.replace(MANNER, private_address=True))
    for count in (3, 5, 5):
        fill(cuff, count)
        await cuff.wake()
        await asyncio.sleep(2)
    found = Collected(STORE)
    await outcome(
        "private address", [cuff], met=found.cuffs_since(cuff.address), witness=found.conditions.get("witness")
    )


async def many_waiting(lab: Lab) -> None:
    """Ten cuffs (five in the short form) speak up at once, for the first time; and once more."""
    cuffs = [await lab.cuff() for _ in range(10 if lab.times >= 10 else 5)]
    for cuff in cuffs:
        fill(cuff, 3)
    await asyncio.gather(*(emptied(cuff, 3) for cuff in cuffs))
    say("all were there once")
    for cuff in cuffs:
        fill(cuff, 3)
    await asyncio.gather(*(emptied(cuff, 3) for cuff in cuffs))
    await outcome("many waiting", cuffs)


async def two_seconds(lab: Lab) -> None:
    """A cuff that advertises for two seconds: new, then bonded."""
    cuff = await lab.cuff(dataclasses.replace(MANNER, advertises_s=2.0, interval_ms=100.0))
    fill(cuff, 3)
    wakings = await emptied(cuff, 5)
    later = []
    for _ in range(5):
        fill(cuff, 3)
        later.append(await emptied(cuff, 5))
        await asyncio.sleep(1)
    await outcome("two seconds", [cuff], wakings=wakings, later_wakings=later)


async def cuff_forgot(lab: Lab) -> None:
    """The cuff loses its side of the bond, as after a change of batteries."""
    cuff = await lab.cuff()
    fill(cuff, 3)
    await cuff.wake()
    cuff.forget_bonds()
    fill(cuff, 5)
    wakings = await emptied(cuff, 5)
    said = [line for line in lab.listener.said().splitlines() if f"{cuff.address} has forgotten its bond" in line]
    found = Collected(STORE)
    await outcome(
        "cuff forgot",
        [cuff],
        wakings=wakings,
        told=len(said),
        missing=found.bond_missing(cuff.address),
        condition=found.conditions.get(f"bond {cuff.address}"),
    )


async def we_forgot(lab: Lab) -> None:
    """Our side of the bond is lost, and the cuff advertises without its service."""
    cuff = await lab.cuff()
    fill(cuff, 3)
    await cuff.wake()
    await asyncio.sleep(1)
    path = "/org/bluez/hci0/dev_" + cuff.address.replace(":", "_")
    process = await asyncio.create_subprocess_exec(
        "busctl", "call", "org.bluez", "/org/bluez/hci0", "org.bluez.Adapter1", "RemoveDevice", "o", path
    )
    assert await process.wait() == 0
    cuff.behaviour = replace(cuff.behaviour, lists_service=False)
    await asyncio.sleep(17)  # until the station looks round
    fill(cuff, 5)
    wakings = await emptied(cuff, 5)
    told = [line for line in lab.listener.said().splitlines() if f"{cuff.address}: paired anew" in line]
    await outcome(
        "we forgot", [cuff], wakings=wakings, told=len(told), missing=Collected(STORE).bond_missing(cuff.address)
    )


async def reads_our_clock(lab: Lab) -> None:
    """A cuff that sets its clock by the collector's before it sends anything: new, then bonded."""
    cuff = await lab.cuff(dataclasses.replace(MANNER, reads_our_clock=True))
    behind = []
    for _ in range(2):
        cuff.clock_ahead -= timedelta(hours=5)
        fill(cuff, 3)
        await emptied(cuff, 3)
        behind.append(abs((cuff.clock() - datetime.now()).total_seconds()))
    await outcome("reads our clock", [cuff], behind_s=behind)


async def stored_records(lab: Lab) -> None:
    """A cuff of the service 1.1 that tells its records on request: all, and later from the newest known one on."""
    cuff = await lab.cuff(dataclasses.replace(MANNER, enhanced=True, keeps_records=True, crc=True, features=0x40))
    asked = []
    for count in (3, 2):
        fill(cuff, count)
        cuff.steps.clear()
        await cuff.wake()
        await asyncio.sleep(3)
        asked.append([one for one in cuff.steps if one.startswith("records")])
    found = Collected(STORE)
    step(
        "stored records",
        measured=len(cuff.measured),
        readings=found.readings_of(cuff.address),
        asked=asked,
        sources=dict(found.sources),
    )


async def bond_cut_off(lab: Lab) -> None:
    """What a power cut just after pairing leaves: bluetoothd's file about the cuff is there and empty."""
    cuff = await lab.cuff()
    fill(cuff, 3)
    await cuff.wake()
    await lab.bluetoothd.end()
    (written,) = Path("/var/lib/bluetooth").glob(f"*/{cuff.address}/info")  # noqa: ASYNC240
    written.write_bytes(b"")
    lab.bluetoothd = await start_bluetoothd()
    await asyncio.sleep(5)
    fill(cuff, 5)
    wakings = await emptied(cuff, 5)
    await outcome("bond cut off", [cuff], wakings=wakings)
