"""A virtual cuff: measures when told to, and when woken sends what it remembers, as a real one would.

It behaves as the Blood Pressure Profile asks of a sensor: records wait until a collector has confirmed them,
a bonded collector's subscription is remembered, and the cuff hangs up when it has nothing more to send.
"""

import secrets
from collections import Counter, deque
from collections.abc import Callable
from datetime import datetime, timedelta
from decimal import Decimal

from bumble.link import LocalLink

from collector.radio.virtual.behaviour import Behaviour, Drop
from collector.radio.virtual.cuff_memory import CuffMemory
from collector.radio.virtual.peripheral import CuffRadio
from parsers.cuff_clock import clock_shown
from parsers.measurement import build_enhanced, build_measurement, measurement
from parsers.pressure import Unit
from parsers.stamps import EpochTime, build_current_time, build_date_time
from parsers.uuids import Uuid


class VirtualCuff:
    """One cuff. Plug it into a link (`plug_in`), let it measure (`measure`), let it speak (`wake`).

    address: its identity, a static random address. clock_ahead: how far its clock runs before `now`.
    now: the wall time where it stands, naive.
    """

    def __init__(
        self,
        name: str = "Practice cuff",
        address: str = "F0:F1:F2:F3:F4:F5",
        behaviour: Behaviour | None = None,
        *,
        clock_ahead: timedelta = timedelta(0),
        now: Callable[[], datetime] = datetime.now,
    ) -> None:
        self.name, self.address, self.behaviour = name, address, behaviour or Behaviour()
        self.clock_ahead, self._now = clock_ahead, now
        keeps = self.behaviour.keeps_records or self.behaviour.resends_all
        self.memory = CuffMemory(self.behaviour.multiple_bonds, keeps)
        self.steps: deque[str] = deque(maxlen=1000)  # what collectors did, in order: for tests
        self.cuts: Counter[Drop] = Counter()  # how often it cut the link as it was told to
        self.times_set: list[bytes] = []
        self._irk = secrets.token_bytes(16)
        self._radio: CuffRadio | None = None

    # -- for the person in front of it ---------------------------------------------------------------

    @property
    def confirmed(self) -> list[bytes]:
        """The payloads that a collector has confirmed, in order."""
        return self.memory.confirmed

    @property
    def measured(self) -> list[bytes]:
        """Everything it ever measured."""
        return self.memory.measured

    def clock(self) -> datetime:
        """What its display shows."""
        return self._now() + self.clock_ahead

    def measure(
        self,
        systolic: Decimal | int,
        diastolic: Decimal | int,
        mean: Decimal | int | None = None,
        *,
        pulse: Decimal | int | None = None,
        at: datetime | None = None,
        user_id: int | None = None,
        status: int | None = None,
        unit: Unit = Unit.MMHG,
        stamped: bool = True,
    ) -> bytes:
        """Measure, and remember. at: the naive time to stamp the record with; its own clock's if None."""
        stamp = (at or self.clock()) if stamped else None
        made = measurement(
            systolic, diastolic, mean, unit=unit, stamp=stamp, pulse=pulse, user_id=user_id, status=status
        )
        if self.behaviour.enhanced:
            when = EpochTime.of(stamp) if stamp else None
            made = made._replace(
                stamp=when,
                user_facing=when,
                characteristic=Uuid.ENHANCED_MEASUREMENT,
                flags=made.flags | (0x60 if when else 0),
            )
            return self.store(build_enhanced(made))
        return self.store(build_measurement(made))

    def store(self, payload: bytes) -> bytes:
        """Remember octets as a record, whatever they say; sent at once where a collector listens."""
        self.memory.store(payload)
        if self._radio is not None:
            self._radio.news.set()
        return payload

    async def wake(self) -> None:
        """Advertise until a collector came and the conversation is over, or nobody came in the time it advertises."""
        if self.behaviour.resends_all:
            self.memory.forget_confirmations()
        if self.behaviour.forgets_bond:
            self.forget_bonds()
        await self._plugged.wake()

    def forget_bonds(self) -> None:
        """Lose its side of every bond, as after a change of batteries."""
        self._plugged.forget_bonds()
        self.memory.subscriptions.clear()

    def move_table(self) -> None:
        """From now on everything it offers stands elsewhere, as after an update; who asked for that is told."""
        self._plugged.move_table()

    # -- its radio -----------------------------------------------------------------------------------

    async def plug_in(self, link: LocalLink) -> None:
        """Stand within reach of what else is on the link: a radio of this process, a controller for BlueZ."""
        self._radio = CuffRadio(self, link, self._irk)
        await self._radio.power_on()

    async def unplug(self) -> None:
        """Out of reach: whatever it was doing ends."""
        await self._plugged.power_off()
        self._radio = None

    @property
    def _plugged(self) -> CuffRadio:
        if self._radio is None:
            raise RuntimeError(f"{self.name} is not plugged in")
        return self._radio

    def tell_time(self) -> bytes:
        """Its clock as a collector reads it."""
        shown = self.clock()
        return build_current_time(shown) if self.behaviour.clock == "current time" else build_date_time(shown)

    def set_time(self, value: bytes) -> None:
        """Its clock as a collector writes it."""
        self.times_set.append(value)
        wanted = clock_shown(Uuid.CURRENT_TIME if self.behaviour.clock == "current time" else Uuid.DATE_TIME, value)
        if wanted is not None:
            self.clock_ahead = wanted - self._now()
