"""A practice cuff: an invented one that measures every minute, to try `listen` and `sit` without hardware."""

import asyncio
import random
from contextlib import suppress

from collector.radio.plan import VisitPlan
from collector.radio.port import Sink
from collector.radio.virtual import VirtualCuff, VirtualRadio

EVERY_S = 60.0


class PracticeRadio(VirtualRadio):
    """The virtual radio with one cuff that goes on measuring by itself."""

    def __init__(self, cuff: VirtualCuff, every_s: float = EVERY_S) -> None:
        super().__init__([cuff])
        self._cuff, self._every_s = cuff, every_s

    async def run(self, sink: Sink, plan: VisitPlan, stop: asyncio.Event) -> None:
        measuring = asyncio.create_task(self._measure())
        try:
            await super().run(sink, plan, stop)
        finally:
            measuring.cancel()
            with suppress(asyncio.CancelledError):
                await measuring

    async def _measure(self) -> None:
        await self.listening.wait()
        while True:
            systolic = random.randint(118, 146)
            diastolic = systolic - random.randint(40, 56)
            self._cuff.measure(
                systolic, diastolic, diastolic + (systolic - diastolic) // 3, pulse=random.randint(58, 82), status=0
            )
            await self._cuff.wake()
            await asyncio.sleep(self._every_s)


def practice_radio() -> PracticeRadio:
    return PracticeRadio(VirtualCuff("Practice cuff"))
