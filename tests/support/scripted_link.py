"""A link that does what a script says, for the visit procedure: what each step does instead of going well."""

import asyncio
import time
from datetime import UTC, datetime

from air import NoteSink

from collector.radio.errors import LinkLost
from collector.radio.facts import CUFF_LEFT, Found, KnownCuff, ReceivedPayload
from parsers.stamps import build_current_time
from parsers.uuids import Uuid

CUFF = "F0:F1:F2:F3:F4:F5"


SERVICES = {
    Uuid.CURRENT_TIME: Uuid.CURRENT_TIME_SERVICE,
    Uuid.BATTERY_LEVEL: Uuid.BATTERY_SERVICE,
    Uuid.MODEL_NUMBER: Uuid.DEVICE_INFORMATION_SERVICE,
}


def found(short: int, *properties: str, handle: int = 0) -> Found:
    return Found(
        uuid=f"0000{short:04x}-0000-1000-8000-00805f9b34fb",
        short=short,
        handle=handle or short & 0xFFF,
        properties=frozenset(properties),
        service=SERVICES.get(short, Uuid.BLOOD_PRESSURE_SERVICE),
    )


PLAIN = (
    found(Uuid.BLOOD_PRESSURE_MEASUREMENT, "indicate"),
    found(Uuid.BLOOD_PRESSURE_FEATURE, "read"),
    found(Uuid.CURRENT_TIME, "read", "write"),
    found(Uuid.BATTERY_LEVEL, "read"),
    found(Uuid.MODEL_NUMBER, "read"),
)


class ScriptedLink:
    """script: what a step does instead of going well: an error to raise, or a callable to await."""

    def __init__(
        self, sink: NoteSink, script: dict[str, object] | None = None, offers: tuple[Found, ...] = PLAIN
    ) -> None:
        self.cuff, self.source, self.name = CUFF, "scripted", "A cuff"
        self.visit: int | None = None
        self.bond_missing_on: str | None = None
        self.bond_renewed = self.passing_address = False
        self.bonded, self.table_changed, self.noticed = False, False, set()
        self.passing_address = False
        self.heard, self.heard_at, self.ended = 0, time.monotonic(), CUFF_LEFT
        self.sink, self.script, self.offers = sink, script or {}, offers
        self.steps: list[str] = []
        self.clock = datetime.now
        self.leaves_after = "read 2a19"  # the last thing that is asked
        self._down = asyncio.Event()

    async def _do(self, step: str) -> None:
        self.steps.append(step)
        if self._down.is_set():
            raise LinkLost(str(self.ended))
        for name in (step, step.split()[0]):
            todo = self.script.get(name)
            if isinstance(todo, Exception):
                if isinstance(todo, LinkLost):
                    self._down.set()
                raise todo
            if callable(todo):
                await todo()
        if step == self.leaves_after:
            asyncio.get_running_loop().call_soon(self._down.set)

    def deliver(self, value: bytes = b"record") -> None:
        self.sink.take(
            ReceivedPayload(
                cuff=self.cuff,
                characteristic=Uuid.BLOOD_PRESSURE_MEASUREMENT,
                value=value,
                arrived_at=datetime.now(UTC),
                source=self.source,
            ),
            self.visit,
        )
        self.heard += 1
        self.heard_at = time.monotonic()

    async def secure(self) -> bool:
        await self._do("secure")
        return True

    async def resume(self, known: KnownCuff) -> tuple[Found, ...]:
        await self._do("resume")
        return known.found if known.found == self.offers else ()

    async def discover(self, service: int | None = None) -> tuple[Found, ...]:
        await self._do(f"discover {service:04x}" if service else "discover")
        return tuple(one for one in self.offers if service in (None, one.service))

    async def read(self, what: Found) -> bytes:
        await self._do(f"read {what.short:04x}")
        return build_current_time(self.clock()) if what.short == Uuid.CURRENT_TIME else b"\x00\x00"

    async def write(self, what: Found, value: bytes) -> None:
        await self._do(f"write {what.short:04x}")

    async def subscribe(self, what: Found, visit: int) -> None:
        await self._do(f"subscribe {what.short:04x}")
        self.deliver()

    async def ask(self, what: Found, request: bytes, late: object = None) -> bytes:
        await self._do(f"ask {what.short:04x} {request.hex()}")
        answer = self.script.get(f"answer {request.hex()}", b"\x06\x00\x01\x01")
        assert isinstance(answer, bytes)
        return answer

    async def gone(self) -> None:
        await self._down.wait()

    async def hang_up(self) -> None:
        self.steps.append("hang up")
        self._down.set()


async def never() -> None:
    await asyncio.Event().wait()
