"""Makes the dongle at the second serial port a controller of this kernel's: packets between the port and hci_vhci."""

import asyncio

from bumble.transport import open_transport
from vhci import Vhci


async def main() -> None:
    port = await open_transport("serial:/dev/ttyS1,115200")
    vhci = Vhci()
    vhci.set_packet_sink(port.sink)
    port.source.set_packet_sink(vhci)
    print("plugged in", flush=True)
    await asyncio.Event().wait()


asyncio.run(main())
