"""Power cut while cuffs send to the exclusive radio: nothing lost, nothing twice, the store whole.

The guest is a machine of its own: kernel, ext4 on a disk image, the real `listen`. Its Bluetooth dongle is a controller
in this process, at the end of a serial cable; the cuffs and the air are here and outlive the guest. Killing qemu
is a power cut: what the guest had not flushed is gone, the dongle loses its links, the next boot finds what was kept.

`python -m pytest -m 'stack and long' tests/stack/test_power_cut.py -s` cuts 25 times and prints what it found.
"""

import asyncio
import json
import os
import random
import signal
import subprocess
import sys
from collections import Counter
from contextlib import suppress
from pathlib import Path

import pytest
from air import fill
from served import ServedAdapter

from collector.radio.virtual import Manner, VirtualCuff

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
EACH = 5  # records that wait in each cuff before each cut
BOOT_S = 600


def descendants(pid: int) -> list[int]:
    """A process and all that came of it, parents first (proc(5), /proc/PID/task/TID/children)."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text("ascii").split()
    except FileNotFoundError:
        return []
    return [pid] + [grandchild for child in children for grandchild in descendants(int(child))]


class Machine:
    """The guest, switched on until the power is cut or it switches itself off."""

    def __init__(self, lab: Path, work: Path, socket: Path) -> None:
        self._command = [str(lab / "run"), str(work), str(BOOT_S * 2), str(work / "disk.img")]
        self._extra = f"-chardev socket,id=cable,path={socket} -device isa-serial,chardev=cable,index=1"
        (work / "job.sh").write_text(f"export PYTHONPATH={ROOT}\nexec {sys.executable} -u {HERE}/guest/powercut.py\n")
        subprocess.run(["truncate", "-s", "96M", work / "disk.img"], check=True)
        subprocess.run(["mkfs.ext4", "-q", "-F", work / "disk.img"], check=True)

    async def on(self) -> None:
        self._process = await asyncio.create_subprocess_exec(
            *self._command, stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
            env=os.environ | {"QUIETCUFF_LAB_QEMU": self._extra})

    async def cut(self) -> None:
        """The power goes: qemu first, then the script around it."""
        for pid in reversed(descendants(self._process.pid)):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        await self._process.wait()

    async def ended(self) -> int:
        return await self._process.wait()


async def until(wanted: int, cuffs: list[VirtualCuff]) -> None:
    """Until so many records were confirmed in all."""
    async with asyncio.timeout(BOOT_S):
        while sum(len(cuff.confirmed) for cuff in cuffs) < wanted:  # noqa: ASYNC110
            await asyncio.sleep(0.002)


async def always_ready(cuff: VirtualCuff) -> None:
    while True:
        if cuff.memory.records:
            await cuff.wake()
        else:
            await asyncio.sleep(0.02)


async def cut_again_and_again(lab: Path, work: Path, cuts: int, seed: int) -> dict[str, int]:
    chance = random.Random(seed)
    manner = Manner(lingers_s=0.5, advertises_s=60.0, patience_s=60.0, interval_ms=150)
    cuffs = [VirtualCuff(f"Cuff {n}", f"F0:00:00:00:00:0{n}", manner) for n in (1, 2)]
    in_transfer = 0
    machine = Machine(lab, work, work / "cable")
    async with ServedAdapter(work / "cable") as dongle:
        for cuff in cuffs:
            await cuff.plug_in(dongle.link)
        living = [asyncio.ensure_future(always_ready(cuff)) for cuff in cuffs]
        try:
            for number in range(cuts):
                for cuff in cuffs:
                    fill(cuff, max(0, EACH - len(cuff.memory.records)))
                before = sum(len(cuff.confirmed) for cuff in cuffs)
                await machine.on()
                await until(before + chance.randint(1, 2 * EACH - 2), cuffs)
                await asyncio.sleep(chance.uniform(0, 0.3))
                await machine.cut()
                in_transfer += any(cuff.memory.records for cuff in cuffs)
                print(f"cut {number + 1}: {sum(len(cuff.confirmed) for cuff in cuffs)} confirmed", file=sys.stderr)
                await asyncio.wait_for(dongle.unplugged.wait(), 10)
                dongle.unplugged.clear()
            await machine.on()
            async with asyncio.timeout(BOOT_S):
                while any(cuff.memory.records for cuff in cuffs):  # noqa: ASYNC110
                    await asyncio.sleep(0.1)
            (work / "end").touch()
            assert await machine.ended() == 0, (work / "job.out").read_text()[-2000:]
        finally:
            await machine.cut()
            for task in living:
                task.cancel()
    found = json.loads((work / "readings.json").read_text())
    kept = Counter(map(tuple, found["readings"]))
    measured = Counter((cuff.address, payload.hex()) for cuff in cuffs for payload in cuff.measured)
    return {"cuts": cuts, "in_transfer": in_transfer, "measured": measured.total(),
            "lost": (measured - kept).total(), "twice": (kept - measured).total(),
            "sent_again": found["payloads"] - measured.total(), "damage": len(found["damage"])}  # fmt: skip


@pytest.mark.stack
@pytest.mark.long
@pytest.mark.timeout(14400)
async def test_power_cut_25_times(lab: Path, tmp_path: Path) -> None:
    result = await cut_again_and_again(lab, tmp_path, int(os.environ.get("CUTS", "25")), seed=3)
    print(json.dumps(result))
    assert result["lost"] == result["twice"] == result["damage"] == 0, result
    assert result["in_transfer"] >= result["cuts"] // 2
