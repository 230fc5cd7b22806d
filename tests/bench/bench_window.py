"""How long a record that bluetoothd has confirmed is not yet on our disk: from the frame at our socket to the commit.

A power cut in that time costs the record over BlueZ. The path is the real one from the kernel's frame on; the socket
stands in for the monitor channel. As a ratio to the barest durable insert on the same disk: at most 2.5 ×; and the same
for a record that comes just as a visit learns something, with five others not yet worked out.

Run: python tests/bench/bench_window.py [FOLDER]
"""

import asyncio
import socket
import statistics
import struct
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from bench_commit import VALUE, bare

from collector.radio.bluez.delivery import Delivery, EarlyVisits
from collector.radio.bluez.monitor.channel import MonitorChannel
from collector.radio.bluez.monitor.record_handles import RecordHandles
from collector.radio.bluez.monitor.witness import Witness
from collector.radio.facts import Handles, Named
from collector.service.listen.store_sink import StoreSink
from collector.store import open_store

CUFF = "C0:FF:EE:00:00:01"
RECORDS = 500
LIMIT = 2.5


def frames() -> tuple[bytes, bytes]:
    """The link is made; an indication of a record (Linux include/net/bluetooth/hci_mon.h)."""
    address = bytes.fromhex(CUFF.replace(":", ""))[::-1]
    made = b"\x3e\x13\x01\x00" + struct.pack("<HBB", 0x40, 0, 1) + address + bytes(7)
    att = struct.pack("<BH", 0x1D, 3) + VALUE
    piece = struct.pack("<HHHH", 0x40 | 2 << 12, len(att) + 4, len(att), 4) + att
    return struct.pack("<HHH", 3, 0, len(made)) + made, struct.pack("<HHH", 5, 0, len(piece)) + piece


async def beside_a_fact(folder: Path, rounds: int = 60, unread: int = 5) -> list[float]:
    """Seconds for each record; the event loop goes as it does in `listen`."""
    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    made, record = frames()
    loop, window = asyncio.get_running_loop(), []
    with near, far, open_store(folder / "facts.db") as store:
        sink = StoreSink(store)
        visit = sink.open_visit(CUFF, "bluez", datetime.now(UTC))
        sink.learn(visit, Handles({3: 0x2A35}))
        assert sink.known()
        delivery = Delivery(EarlyVisits(sink, "bluez"))
        delivery.witness = witness = Witness(
            MonitorChannel(near), RecordHandles(tuple(delivery.known.values())), delivery
        )
        far.send(made)
        witness._one()
        for number in range(rounds):
            for _ in range(unread):
                far.send(record)
                witness._one()
            far.send(record)
            taken = asyncio.Event()
            loop.add_reader(near.fileno(), lambda done=taken: (witness._one(), done.set()))
            began = time.perf_counter()
            sink.learn(visit, Named(f"Cuff {number}"))
            await taken.wait()
            window.append(time.perf_counter() - began)
            loop.remove_reader(near.fileno())
            sink.read_all()
    return window


async def measure(folder: Path) -> tuple[list[float], list[float]]:
    """Seconds for each record, and for each bare insert beside it."""
    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    made, record = frames()
    insert = bare(folder)
    window, floor = [], []
    with near, far, open_store(folder / "store.db") as store:
        sink = StoreSink(store)
        sink.learn(sink.open_visit(CUFF, "bluez", datetime.now(UTC)), Handles({3: 0x2A35}))
        delivery = Delivery(EarlyVisits(sink, "bluez"))
        delivery.witness = Witness(MonitorChannel(near), RecordHandles(tuple(delivery.known.values())), delivery)
        far.send(made)
        delivery.witness._one()
        for number in range(RECORDS):
            far.send(record)
            began = time.perf_counter()
            delivery.witness._one()
            taken = time.perf_counter()
            insert(number)
            floor.append(time.perf_counter() - taken)
            window.append(taken - began)
            await asyncio.sleep(0)  # what it means is worked out now
        assert store.scalar("SELECT count(*) FROM payload") == RECORDS
    return window, floor


def report(folder: Path) -> float:
    window, floor = asyncio.run(measure(folder))
    ratio = statistics.median(window) / statistics.median(floor)
    learning = statistics.median(asyncio.run(beside_a_fact(folder)))
    longest = statistics.quantiles(window, n=100)[98]
    print(
        f"from the frame to the disk {statistics.median(window) * 1e3:.2f} ms, {longest * 1e3:.2f} ms for 99 of 100; "
        f"{ratio:.2f} × a bare durable insert (limit {LIMIT}); {learning * 1e3:.2f} ms, "
        f"{learning / statistics.median(floor):.2f} ×, where it comes just as a visit learns something"
    )
    return ratio


@pytest.mark.bench
def test_the_window_is_short(tmp_path: Path) -> None:
    assert report(tmp_path) <= LIMIT


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as folder:
        report(Path(folder))
