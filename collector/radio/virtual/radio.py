"""The virtual radio: the host stack of the exclusive one, and cuffs within its reach in this process."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

from bumble.link import LocalLink

from collector.radio.exclusive.host import QuietHost, TakenAdapter
from collector.radio.exclusive.radio import BumbleRadio
from collector.radio.port import PairingPerson
from collector.radio.virtual.cuff import VirtualCuff
from collector.radio.virtual.device import CentralController


class VirtualRadio(BumbleRadio):
    """A real exchange of ATT and SMP with cuffs that are plugged in while it runs; wake them and they speak.

    keys_folder: where bonds are kept; None forgets them at exit. `listening` is set while it hears them.
    """

    source = "virtual"

    def __init__(
        self,
        cuffs: Sequence[VirtualCuff],
        keys_folder: Path | None = None,
        *,
        name: str = "quietcuff",
        person: PairingPerson | None = None,
        pause_s: float = 0.0,
    ) -> None:
        super().__init__(keys_folder, name, person, pause_s)
        self.cuffs = tuple(cuffs)

    @asynccontextmanager
    async def _adapter(self) -> AsyncIterator[TakenAdapter]:
        link = LocalLink()  # type: ignore[no-untyped-call]
        host = QuietHost()
        host.controller = CentralController("collector", link=link)
        for cuff in self.cuffs:
            await cuff.plug_in(link)
        try:
            yield TakenAdapter(host, asyncio.get_running_loop().create_future())
        finally:
            for cuff in self.cuffs:
                await cuff.unplug()
