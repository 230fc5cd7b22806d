"""A crowded room: 300 advertisements a second from other devices, an hour's worth of them, and a cuff in between.

`python -m pytest -m long tests/faults/test_flood.py -s` sends the whole hour and prints the cost of each.
"""

import asyncio
import json
import random
import time
from pathlib import Path

import pytest
from air import Room, fill, room
from bumble.core import AdvertisingData
from reports import extended, legacy

from collector.radio.exclusive.scan import MOST_REMEMBERED
from collector.radio.virtual import Behaviour, VirtualCuff

pytestmark = pytest.mark.usefixtures("no_waiting")

A_SECOND, AN_HOUR = 300, 3600
DEVICES = 300  # each with a private address that it changes every 15 minutes


def other_devices(chance: random.Random) -> list[bytes]:
    """Reports of phones, watches, tags and lamps, as a controller delivers them."""
    packets = []
    for n in range(DEVICES):
        top = chance.choice([0x40, 0x40, 0x40, 0x00, 0xC0]) | chance.randrange(0x40)  # most are resolvable
        address = ":".join(f"{octet:02X}" for octet in [top, *chance.randbytes(5)])
        data = bytes(AdvertisingData([
            (AdvertisingData.FLAGS, b"\x06"),
            (AdvertisingData.MANUFACTURER_SPECIFIC_DATA, b"\xff\xff" + chance.randbytes(chance.randrange(20))),
        ]))  # fmt: skip
        packets.append((legacy if n % 2 else extended)(data, address=address))
    return packets


async def flood(air: Room, seconds: int) -> float:
    """Deliver the reports; returns microseconds of processor time for each."""
    chance = random.Random(7)
    spent, sent = 0.0, 0
    packets: list[bytes] = []
    for second in range(seconds):
        if second % 900 == 0:
            packets = other_devices(chance)
        host = air.radio._device.host
        started = time.process_time()
        for n in range(A_SECOND):
            host.on_packet(packets[n % DEVICES])
        spent += time.process_time() - started
        sent += A_SECOND
        await asyncio.sleep(0)
    return spent / sent * 1e6


async def crowd(seconds: int) -> dict[str, float]:
    cuff = VirtualCuff(behaviour=Behaviour(lingers_s=0.05, private_address=True))
    fill(cuff, 2)
    async with room(cuff) as air:
        await air.wake()  # so that there is an identity key to try on every private address
        fill(cuff, 2)
        waking = asyncio.ensure_future(cuff.wake())
        cost = await flood(air, seconds)
        await waking
        await air.quiet()
        assert air.sink.payloads == cuff.measured
        assert len(air.radio.advertisers.cuffs) <= MOST_REMEMBERED
        assert len(air.radio.advertisers.identities) <= MOST_REMEMBERED
    share = {
        "adverts": seconds * A_SECOND,
        "us_each": round(cost, 2),
        "cpu_percent_at_300_a_second": round(cost * 0.03, 3),
    }
    print(json.dumps(share))
    return share


async def test_a_minute_in_a_crowd(tmp_path: Path) -> None:
    await crowd(60)


@pytest.mark.long
@pytest.mark.timeout(3600)
async def test_an_hour_in_a_crowd(tmp_path: Path) -> None:
    await crowd(AN_HOUR)
