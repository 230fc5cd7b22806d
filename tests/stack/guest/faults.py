"""Whatever happens: each fault once or many times over, and what was lost or stood twice afterwards.

Arguments: how often the daemon and the adapter go, how often the listener is killed; then names of faults, else all.
"""

import asyncio
import sys
from collections.abc import Awaitable, Callable

from bluez_window import window
from faults_of_cuffs import (
    bond_cut_off,
    cuff_forgot,
    many_waiting,
    no_service_named,
    private_address,
    reads_our_clock,
    stored_records,
    two_seconds,
    we_forgot,
)
from faults_of_manners import beside_one_that_ignores_pairing, hangs_up_at_pairing, keeps_no_bond
from faults_of_the_system import (
    adapter_pulled,
    blocked,
    bluetoothd_hung,
    bluetoothd_killed,
    dbus_started_again,
    two_adapters,
)
from kills import kills
from lab import Lab
from neighbour import chatty
from report import say, step

FAULTS: dict[str, Callable[[Lab], Awaitable[None]]] = {
    "kills": kills,
    "chatty": chatty,
    "bluetoothd": bluetoothd_killed,
    "hung": bluetoothd_hung,
    "adapter": adapter_pulled,
    "dbus": dbus_started_again,
    "unnamed": no_service_named,
    "private": private_address,
    "many": many_waiting,
    "two-seconds": two_seconds,
    "our-clock": reads_our_clock,
    "stored": stored_records,
    "cuff-forgot": cuff_forgot,
    "we-forgot": we_forgot,
    "cut-off": bond_cut_off,
    "hangs-up": hangs_up_at_pairing,
    "no-bond": keeps_no_bond,
    "ignores": beside_one_that_ignores_pairing,
    "rfkill": blocked,
}
BY_NAME = {"two-adapters": two_adapters}  # done only where asked for
LONGEST_S = 300


async def main() -> None:
    wanted = sys.argv[3:] or list(FAULTS)
    lab = Lab(times=int(sys.argv[1]), kills=int(sys.argv[2]))
    say("starting")
    await lab.begin(listener=False)
    if "kills" in wanted:  # brings its own listener
        say("kills")
        await kills(lab)
        wanted.remove("kills")
    if wanted:
        await lab.begin_listener()
    for name in wanted:
        say(name)
        try:
            await asyncio.wait_for((FAULTS | BY_NAME)[name](lab), LONGEST_S)
        except Exception as error:
            step(name, failed=f"{type(error).__name__}: {error}")
            await lab.recover()
    if wanted:
        seconds = await lab.listener.end()
        step(
            "end",
            seconds=round(seconds, 1),
            status=lab.listener.process.returncode,
            window_ms=window(lab.listener.said()),
            crashes=lab.crashes,
            tracebacks=sum("Traceback" in line and "/collector/" in line for line in lab.listener.said().splitlines()),
        )
    say("done")


asyncio.run(main())
