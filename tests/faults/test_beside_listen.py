"""A collector that receives, and is killed now and then, while other commands change the same store: nothing lost,
nothing twice, and each command does what it says or refuses in one line."""

import asyncio
import gzip
import json
import random
import signal
import sys
from collections import Counter
from dataclasses import asdict
from pathlib import Path

import pytest
from air import always_ready, fill
from collector_process import Nursery
from kept import compared, store_sink
from served import ServedAdapter

from collector.radio.virtual import Behaviour, VirtualCuff
from collector.store.people import erase

OTHER = Path(__file__).parents[2] / "fixtures/stores/schema-4.sqlite3.gz"
COMMANDS = (
    ("rebuild",),
    ("merge", "other.db"),
    ("retention", "--days", "3650", "--apply", "--clock-is-right"),
    ("person", "add", "guest"),
    ("person", "erase", "guest", "--yes"),
    ("backup", "now"),
    ("check", "--json"),
    ("readings", "--last", "3", "--json"),
)


async def quietcuff(folder: Path, *words: str) -> tuple[int | None, str]:
    command = [sys.executable, "-m", "collector.cli.main", "--store", str(folder / "quietcuff.db"), *words]
    nothing, pipe = asyncio.subprocess.DEVNULL, asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(*command, cwd=folder, stdin=nothing, stdout=pipe, stderr=pipe)
    _, told = await process.communicate()
    return process.returncode, told.decode()


async def listen_beside(folder: Path, rounds: int, seed: int) -> dict[str, int]:
    chance, ended = random.Random(seed), Counter[str]()
    (folder / "other.db").write_bytes(gzip.decompress(OTHER.read_bytes()))
    quick = Behaviour(lingers_s=0.05, advertises_s=5.0, patience_s=5.0)
    cuffs = [VirtualCuff(f"Cuff {number}", f"F0:00:00:00:00:0{number}", quick) for number in (1, 2)]
    working = True

    async def measure() -> None:
        while working:
            for cuff in cuffs:
                if len(cuff.memory.records) < 3:
                    fill(cuff, 1)
            await asyncio.sleep(0.05)

    async def command() -> None:
        for _ in range(rounds):
            for words in COMMANDS:
                code, told = await quietcuff(folder, *words)
                ended["commands"] += 1
                assert code in (0, 3), (words, told)

    async with ServedAdapter(folder / "hci") as dongle:
        for cuff in cuffs:
            await cuff.plug_in(dongle.link)
        living = [asyncio.ensure_future(always_ready(cuff)) for cuff in cuffs]
        async with Nursery(folder / "quietcuff.db", folder / "bonds", dongle.spec) as nursery:
            pid = await nursery.start()
            await dongle.plugged.wait()
            measuring, commanding = asyncio.ensure_future(measure()), asyncio.ensure_future(command())
            kills = 0
            while not commanding.done():
                await asyncio.wait([commanding], timeout=chance.uniform(0.2, 4))
                kills += 1
                await nursery.end(pid, signal.SIGKILL)
                await asyncio.wait_for(dongle.unplugged.wait(), 5)
                dongle.unplugged.clear()
                pid = await nursery.start()
                await dongle.plugged.wait()
            working = False
            await measuring
            async with asyncio.timeout(120):
                while any(cuff.memory.records for cuff in cuffs):  # noqa: ASYNC110
                    await asyncio.sleep(0.05)
            await nursery.end(pid, signal.SIGTERM)
            await commanding
        for task in living:
            task.cancel()
        for cuff in cuffs:
            await cuff.unplug()
    with store_sink(folder) as sink:
        assert not erase.pending(sink.store)
        found = asdict(compared(sink.store, cuffs))
    return {"kills": kills, **found, **ended}


def check(result: dict[str, int]) -> None:
    print(json.dumps(result))
    assert result["measured"] >= result["commands"]
    assert result["lost"] == result["twice"] == 0
    assert result["kills"]


@pytest.mark.timeout(300)
async def test_commands_beside_a_collector_that_is_killed(tmp_path: Path) -> None:
    check(await listen_beside(tmp_path, 1, seed=1))


@pytest.mark.long
@pytest.mark.timeout(3600)
async def test_112_commands_beside_a_collector_that_is_killed(tmp_path: Path) -> None:
    check(await listen_beside(tmp_path, 14, seed=2))
