"""kill -9 of a real collector at random instants while cuffs send: nothing lost, nothing twice.

The cuffs and their controllers live in this process and keep what was not confirmed; the collector is another
process with the exclusive radio on an adapter at a unix socket. Each kill ends it wherever it stands:
connecting, pairing, discovering, committing, between a commit and its confirmation.
"""

import asyncio
import json
import random
import signal
from dataclasses import asdict
from pathlib import Path

import pytest
from air import always_ready, fill
from collector_process import Nursery
from kept import compared, store_sink
from served import ServedAdapter

from collector.radio.virtual import Behaviour, VirtualCuff

LONGEST_S = 0.6  # a kill comes at some instant of the first so many seconds in which cuffs are heard
EACH = 4  # records that wait in each cuff before each kill


async def kill_again_and_again(folder: Path, kills: int, seed: int) -> dict[str, int]:
    chance = random.Random(seed)
    cuffs = [
        VirtualCuff("Eager", "F0:00:00:00:00:01", Behaviour(lingers_s=0.05, advertises_s=5.0, patience_s=5.0)),
        VirtualCuff(
            "Patient", "F0:00:00:00:00:02", Behaviour(lingers_s=0.05, advertises_s=5.0, patience_s=5.0, eager=False)
        ),
    ]
    in_transfer = 0
    async with ServedAdapter(folder / "hci") as dongle:
        for cuff in cuffs:
            await cuff.plug_in(dongle.link)
        living = [asyncio.ensure_future(always_ready(cuff)) for cuff in cuffs]
        async with Nursery(folder / "quietcuff.db", folder / "bonds", dongle.spec) as nursery:
            for _ in range(kills):
                for cuff in cuffs:
                    fill(cuff, max(0, EACH - len(cuff.memory.records)))  # what is not sent yet waits already
                before = sum(len(cuff.confirmed) for cuff in cuffs)
                pid = await nursery.start()
                await dongle.plugged.wait()
                if chance.random() < 0.5:  # at any instant
                    await asyncio.sleep(chance.uniform(0, LONGEST_S))
                else:  # soon after some record was confirmed
                    wanted = before + chance.randint(1, 2 * EACH - 1)
                    for _ in range(2000):
                        if sum(len(cuff.confirmed) for cuff in cuffs) >= wanted:
                            break
                        await asyncio.sleep(0.001)
                    await asyncio.sleep(chance.uniform(0, 0.004))
                assert await nursery.end(pid, signal.SIGKILL) == -signal.SIGKILL
                in_transfer += any(cuff.memory.records for cuff in cuffs)
                await asyncio.wait_for(dongle.unplugged.wait(), 5)
                dongle.unplugged.clear()
            pid = await nursery.start()  # and now in peace
            await dongle.plugged.wait()  # a listener that has not begun yet knows no SIGTERM
            async with asyncio.timeout(120):
                while any(cuff.memory.records for cuff in cuffs):  # noqa: ASYNC110
                    await asyncio.sleep(0.05)
            assert await nursery.end(pid, signal.SIGTERM) == 0
        for task in living:
            task.cancel()
        for cuff in cuffs:
            await cuff.unplug()
    with store_sink(folder) as sink:
        found = asdict(compared(sink.store, cuffs))
        seen_again = sink.store.scalar("SELECT count(*) FROM payload") - found["measured"]
    return {"kills": kills, "in_transfer": in_transfer, **found, "sent_again": seen_again}


def check(result: dict[str, int]) -> None:
    print(json.dumps(result))
    assert result["measured"] >= result["kills"]
    assert result["lost"] == result["twice"] == result["strange"] == 0, result
    assert result["in_transfer"] >= result["kills"] // 3, "the kills came too late to mean anything"


@pytest.mark.timeout(300)
async def test_killed_8_times(tmp_path: Path) -> None:
    check(await kill_again_and_again(tmp_path, 8, seed=1))


@pytest.mark.long
@pytest.mark.timeout(7200)
async def test_killed_1000_times(tmp_path: Path) -> None:
    check(await kill_again_and_again(tmp_path, 1000, seed=2))
