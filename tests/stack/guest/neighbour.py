"""A chatty neighbour: what of it passes the witness's filter, and what passes without one."""

import asyncio
import contextlib
import socket
import subprocess

from chatty import Chatty
from lab import Lab, fill, outcome


async def chatty(lab: Lab) -> None:
    """A keyboard types away beside the cuff. What of it passes the filter, and what passes without one."""
    from collector.radio.bluez.monitor.channel import MonitorChannel, _bind, open_channel
    from collector.radio.bluez.monitor.kernel_filter import KernelFilter

    filtered = open_channel(KernelFilter())
    bare = MonitorChannel(socket.socket(31, socket.SOCK_RAW, 1))
    _bind(bare.sock, 0xFFFF, 2)
    keyboard = Chatty(lab.air.link)
    await keyboard.power_on()
    await asyncio.sleep(1)
    connecting = await asyncio.create_subprocess_exec(
        "timeout", "60", "bluetoothctl", "--timeout", "20", "scan", "le", stdout=subprocess.DEVNULL
    )
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(_connect(keyboard), 60)
    cuff = await lab.cuff()
    fill(cuff, 3)
    typing = asyncio.create_task(keyboard.type_away())
    passed = seen = frames = 0
    reading = True

    async def read() -> None:
        nonlocal passed, seen, frames
        while reading:
            while (frame := filtered.take()) is not None:
                frames += 1
                passed += Chatty.MARK in frame.packet
            while (frame := bare.take()) is not None:
                seen += Chatty.MARK in frame.packet
            await asyncio.sleep(0.05)

    reader = asyncio.create_task(read())
    await cuff.wake()
    await asyncio.sleep(2)
    typing.cancel()
    await keyboard.leave()
    await asyncio.sleep(0.5)
    reading = False
    await reader
    with contextlib.suppress(ProcessLookupError):  # it may have ended by itself
        connecting.terminate()
    filtered.close()
    bare.close()
    await outcome(
        "chatty",
        [cuff],
        typed=keyboard.typed,
        seen_without_filter=seen,
        passed_the_filter=passed,
        frames_through_filter=frames,
    )


async def _connect(keyboard: Chatty) -> None:
    while not keyboard.connected:
        process = await asyncio.create_subprocess_exec(
            "bluetoothctl", "connect", keyboard.ADDRESS, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(process.wait(), 10)
        if process.returncode is None:
            process.kill()
        await asyncio.sleep(1)
