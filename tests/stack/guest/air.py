"""What is on the air in the lab: the project's virtual cuffs, on a link with controllers that the kernel owns."""

from typing import Any

from paced import KernelController, PacedLink, Scanned
from vhci import SerialLine, Vhci, kernels_end

from collector.radio.virtual.behaviour import Behaviour
from collector.radio.virtual.cuff import VirtualCuff


class Air:
    """Controllers appear to the kernel as hci0, hci1, … in the order they are plugged in."""

    def __init__(self) -> None:
        self.link = PacedLink()
        self.cuffs: list[VirtualCuff] = []
        self._controllers: dict[int, tuple[KernelController, Vhci | SerialLine]] = {}

    async def plug_controller(self, number: int) -> None:
        end = kernels_end()
        controller = KernelController(
            f"kernel's {number}",
            host_source=end,
            host_sink=end,
            link=self.link,
            public_address=f"C4:F2:17:1A:1D:{number:02X}",
        )
        self._controllers[number] = controller, end

    def scanned(self, number: int) -> Scanned:
        """How a controller has scanned, which its kernel asks of it."""
        return self._controllers[number][0].scanned

    async def pull_controller(self, number: int) -> None:
        """The cuffs find their links lost, as by the supervision timeout."""
        controller, end = self._controllers.pop(number)
        controller.vanish()
        end.close()

    async def cuff(self, name: str, address: str, behaviour: Behaviour | None = None, **options: Any) -> VirtualCuff:
        made = VirtualCuff(name, address, behaviour, **options)
        await made.plug_in(self.link)
        self.cuffs.append(made)
        return made
