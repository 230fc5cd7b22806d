"""A cuff over simulated years, with a clock that does what cuffs' clocks do, and a listener that visits it.

Every reading's true instant is known, so that what intake makes of the stamps can be measured against it.
Invented throughout; no real cuff behaves exactly so.
"""

import random
from bisect import bisect_right
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from math import inf
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from collector import intake
from collector.store import Reading, Store, journal, readings
from collector.store.journal import stations, visits
from parsers.measurement import build_measurement, measurement
from parsers.stamps import build_current_time, build_date_time

CUFF = "C0:FF:EE:00:00:01"
ZONE = "Europe/Vienna"
BEGIN = datetime(2024, 1, 10, 9, 0, tzinfo=UTC)
FACTORY = datetime(2015, 1, 1)
"""What the clock shows when it has lost its battery."""

DOUBTFUL = {
    "clock changed",
    "stamps run backwards",
    "stamp fits no clock",
    "stamp in the future",
    "station clock unsure",
}
"""Marks that say: do not rely on this time."""

SURE = 300.0
"""A greater uncertainty speaks for itself."""

WORST_DRIFT = 50e-6
"""Of the clocks here."""


@dataclass(frozen=True)
class Fault:
    """What happens to the clock on a day.

    kind: 'battery' starts again at the factory's date · 'summer', 'winter', 'travel' move it by hours ·
    'set' somebody sets it by a wrist watch · 'wrong' somebody sets it, badly.
    """

    day: int
    kind: str


@dataclass(frozen=True)
class Life:
    """drift: millionths. read: how the clock is read: 'current time', 'date time', '' not at all.

    every: days between readings. late: share of visits that come long after the measurement, broken: that end
    before all is sent. set_clock: whether the listener sets the clock: 'never', 'when wrong', 'always'.
    """

    seed: int
    days: int
    drift: int
    first: str  # the clock in the beginning: 'right', 'hours off', 'never set'
    read: str
    faults: tuple[Fault, ...]
    every: float = 1.5
    late: float = 0.3
    broken: float = 0.05
    early: float = 0.3  # visits in which records come before the clock was read, as with a bonded cuff
    set_clock: str = "never"
    newest_first: bool = False


FAULTS = ("battery", "summer", "winter", "travel", "set", "wrong")


def lives(
    read: tuple[str, ...], set_clock: tuple[str, ...] = ("never",), days: tuple[int, ...] = (60, 150)
) -> st.SearchStrategy[Life]:
    """Hypothesis draws the clock's faults and everything else."""
    return st.builds(
        Life,
        seed=st.integers(0, 2**32),
        days=st.sampled_from(days),
        drift=st.integers(-50, 50),
        first=st.sampled_from(("right", "hours off", "never set")),
        read=st.sampled_from(read),
        faults=st.lists(st.builds(Fault, st.integers(1, max(days)), st.sampled_from(FAULTS)), max_size=8).map(tuple),
        every=st.sampled_from((0.7, 1.5, 5.0)),
        late=st.sampled_from((0.0, 0.3, 0.6)),
        set_clock=st.sampled_from(set_clock),
        newest_first=st.booleans(),
    )


class Clock:
    """Shows local wall time, more or less."""

    def __init__(self, life: Life, chance: random.Random) -> None:
        self.drift, self.chance = life.drift / 1e6, chance
        self.at, self.shown = BEGIN, local(BEGIN)
        if life.first == "hours off":
            self.shown += timedelta(hours=chance.choice((-1, 1, 6, 12)), seconds=chance.randrange(60))
        elif life.first == "never set":
            self.shown = FACTORY + timedelta(days=chance.randrange(400))

    def read(self, now: datetime) -> datetime:
        passed = (now - self.at).total_seconds()
        return self.shown + timedelta(seconds=passed * (1 + self.drift))

    def set(self, now: datetime, shown: datetime) -> None:
        self.at, self.shown = now, shown

    def suffer(self, fault: Fault, now: datetime) -> bool:
        """Whether anything changed: nobody sets a clock by less than five minutes."""
        shown, right = self.read(now), local(now)
        if fault.kind == "battery":
            then = FACTORY
        elif fault.kind in ("summer", "winter", "travel"):
            hours = {"summer": 1, "winter": -1, "travel": self.chance.choice((-7, -3, 2, 9))}[fault.kind]
            then = shown + timedelta(hours=hours)
        elif fault.kind == "set":
            then = right + timedelta(seconds=self.chance.uniform(-30, 30))
        else:
            then = right + timedelta(minutes=self.chance.choice((-720, -45, 15, 720)))
        if abs((then - shown).total_seconds()) < 300:
            return False
        self.set(now, then)
        return True


def local(instant: datetime) -> datetime:
    return instant.astimezone(ZoneInfo(ZONE)).replace(tzinfo=None)


@dataclass
class World:
    """Plays a life into a store; remembers when each payload was really taken."""

    store: Store
    life: Life
    truth: dict[str, datetime] = field(default_factory=dict)
    known: list[tuple[datetime, bool]] = field(default_factory=list)  # when the clock was seen (or changed: False)

    def play(self) -> None:
        life = self.life
        self.chance = chance = random.Random(life.seed)
        self.clock, self.memory = Clock(life, chance), []
        stations.set_zone(self.store, ZONE, datetime(1970, 1, 1, tzinfo=UTC))
        faults = sorted((fault for fault in life.faults if fault.day < life.days), key=lambda fault: fault.day)
        seen = 0  # looks at the clock since it was last changed
        now = BEGIN
        last_visit = BEGIN
        while now < BEGIN + timedelta(days=life.days):
            now += timedelta(days=chance.expovariate(1 / life.every), minutes=5)
            # One change between two looks: of two that cancel out nobody could tell, see docs/time.md.
            if faults and BEGIN + timedelta(days=faults[0].day) <= now and seen >= (1 if life.read else 3):
                at = now - timedelta(hours=chance.uniform(0.1, 3))
                if at > max(last_visit, self.clock.at) + timedelta(minutes=10) and self.clock.suffer(faults.pop(0), at):
                    seen = 0
                    self.known.append((at, False))
            self._measure(now)
            overdue = now - last_visit > timedelta(days=12)
            if chance.random() < life.late and not overdue:
                continue
            delay = timedelta(seconds=chance.uniform(3, 60))
            if chance.random() < life.late:
                delay += timedelta(hours=chance.uniform(0.2, 8))
            now += delay
            live = delay < timedelta(minutes=2)
            whole = self._visit(now)
            if whole and (life.read or live):
                seen += 1
            elif seen < 3 and not life.read:
                seen = 0  # it takes three live records in a row to be sure of a clock that cannot be read
            last_visit = now = now + timedelta(minutes=3)

    def _measure(self, now: datetime) -> None:
        number = len(self.truth)
        stamp = self.clock.read(now).replace(microsecond=0)
        value = build_measurement(measurement(
            100 + number % 60, 60 + number // 60 % 40, stamp=stamp, pulse=50 + number // 2400))  # fmt: skip
        self.truth[value.hex()] = now
        self.memory.append(value)

    def _visit(self, now: datetime) -> bool:
        """Whether all of it was to the good: the clock was seen if it can be, and everything sent."""
        life, chance, store = self.life, self.chance, self.store
        visit = visits.open_visit(store, CUFF, "virtual", now)
        send = self.memory[::-1] if life.newest_first else list(self.memory)
        broken = chance.random() < life.broken
        early = chance.randrange(3) if chance.random() < life.early else 0
        cut = chance.randrange(len(send) + 1) if broken else len(send)
        steps = [*send[:early], None, *send[early:]] if early < len(send) else [None, *send]
        seen = sent = 0
        for value in steps:
            now += timedelta(seconds=chance.uniform(0.1, 1.5))
            if value is None:
                if life.read and not (broken and chance.random() < 0.5):
                    self._look(visit, now)
                    seen = 1
                continue
            if sent == cut:
                break
            added = journal.append(store, cuff=CUFF, characteristic=0x2A35, value=value, arrived_at=now,
                                   source="virtual", visit=visit)  # fmt: skip
            intake.interpret(store, added.payload)
            self.memory.remove(value)
            sent += 1
        visits.close_visit(store, visit, now, "link lost" if broken else "cuff left")
        intake.settle(store, visit)
        return bool(seen or not life.read) and not self.memory

    def _look(self, visit: int, now: datetime) -> None:
        life, trip = self.life, self.chance.uniform(0.02, 0.3)
        shown = self.clock.read(now + timedelta(seconds=self.chance.uniform(-trip, trip) / 2))
        build = build_current_time if life.read == "current time" else build_date_time
        uuid = 0x2A2B if life.read == "current time" else 0x2A08
        visits.learn_value(self.store, visit, uuid, build(shown), now, trip)
        self.known.append((now, True))
        off = abs((shown - local(now)).total_seconds())
        if life.set_clock == "always" or (life.set_clock == "when wrong" and off > 60):
            at = now + timedelta(seconds=0.3)
            right = local(at).replace(microsecond=0)
            self.clock.set(at, right)
            visits.learn_clock_set(self.store, visit, uuid, build(right), at)
            self.known.append((at, True))

    def unwatched(self, at: datetime) -> float:
        """Seconds to the nearest look at the clock, where a change lies between this instant and the look before or
        after it: what the clock gained meanwhile nobody can tell. 0 between two looks at a clock that just ran."""
        here = bisect_right(self.known, (at, True))
        beside = self.known[max(0, here - 1) : here + 1]
        if len(beside) == 2 and all(seen for _, seen in beside):
            return 0.0
        return min((abs((when - at).total_seconds()) for when, seen in beside if seen), default=inf)


@dataclass(frozen=True)
class Verdict:
    """error: seconds between the time given and the truth. relied: given with an uncertainty of SURE seconds at most,
    and no mark of doubt. unwatched: see World."""

    reading: Reading
    error: float
    relied: bool
    unwatched: float = 0.0

    def within(self, seconds: float) -> bool:
        """Of the truth, give or take what the clock may have drifted unwatched."""
        return self.error <= seconds + WORST_DRIFT * self.unwatched

    @property
    def kept_its_word(self) -> bool:
        return self.reading.taken_uncertainty_s is None or self.error <= self.reading.taken_uncertainty_s


def verdicts(world: World) -> list[Verdict]:
    found = []
    for reading in readings.select(world.store):
        truth = world.truth[reading.payload]
        error = abs((reading.taken_at - truth).total_seconds())
        uncertainty = reading.taken_uncertainty_s
        relied = uncertainty is not None and uncertainty <= SURE and not DOUBTFUL & set(reading.marks)
        unwatched = world.unwatched(truth) if world.life.read else 0.0
        found.append(Verdict(reading, error, relied, unwatched))
    return found
