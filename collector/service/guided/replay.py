"""A guided sitting for a screen that is not always there: a phone that sleeps, a page that is restarted.

Nobody waits in between. Each time somebody looks, the flow is followed again from its beginning, on a clock that only
waiting moves, with the answers that were given and the readings that arrived, each at its own moment, until that clock
has come to now. What stands there then is what the person sees.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from collector.intake import giving
from collector.service.guided.screen import Hints
from collector.service.guided.sitting import Guide, SittingRequest
from collector.store.database import Store
from collector.store.people import open_sittings, sittings
from collector.store.people.open_sittings import OpenSitting
from collector.store.readings import arrived
from collector.store.values import Reading

HINTS = Hints(
    leave="with the button at the end",
    causes="The page Station looks for other causes.",
    listen="Whoever looks after the station can start it again.",
    claim="the keeper's page, Nobody's readings",
)


class Now(Exception):
    """The clock has come to the present."""


@dataclass(slots=True)
class SittingSoFar:
    """What there is to see. said: everything so far, in blocks; since: the first block after the last answer or
    reading. question: what is asked, its keys in `keys`; else waiting says what is waited for, left_s how long yet."""

    said: list[tuple[str, ...]] = field(default_factory=list)
    since: int = 0
    results: list[str] = field(default_factory=list)
    waiting: str = ""
    keys: str = ""
    left_s: float | None = None
    over: bool = False
    answers: int = 0

    @property
    def asks(self) -> bool:
        return "(y" in self.keys and not self.over

    @property
    def version(self) -> str:
        """Changes with everything but a clock's ticking: an answer to what stands here no longer is none."""
        return f"{len(self.said)}-{len(self.results)}-{self.answers}"


class Replay:
    """Screen, clock and source of one sitting, up to `now`."""

    def __init__(self, store: Store, sitting: OpenSitting, person: str, now: datetime) -> None:
        self.store, self.sitting, self.person = store, sitting, person
        self.standing = SittingSoFar()
        self._at = 0.0
        self._until = (now - sitting.started_at).total_seconds()
        self._answers = [((at - sitting.started_at).total_seconds(), key) for at, key in sitting.answers]
        self._coming = arrived.since(store, sitting.started_at)

    def run(self, request: SittingRequest) -> SittingSoFar:
        """Raises StoreError."""
        guide = Guide(replace(request, hints=HINTS), self, self, self)
        try:
            guide.run()
            self.standing.over = True
        except Now:
            pass
        return self.standing

    # --- the clock ---

    def now(self) -> datetime:
        return self.sitting.started_at + timedelta(seconds=self._at)

    def seconds(self) -> float:
        return self._at

    def wait(self, seconds: float) -> str:
        if self._answers and self._answers[0][0] <= self._at + seconds:
            at, key = self._answers.pop(0)
            self._at = max(self._at, at)
            self.standing.answers += 1
            return key
        if self._at + seconds > self._until:
            raise Now
        self._at += seconds
        return ""

    # --- the screen ---

    def say(self, *texts: str) -> None:
        self.standing.said.append(tuple(text for text in texts if text))

    def result(self, text: str) -> None:
        self.standing.results.append(text)
        self.standing.since = len(self.standing.said)

    def count(self, text: str, keys: str = "", left_s: float | None = None) -> None:
        self.standing.waiting, self.standing.keys, self.standing.left_s = text, keys, left_s

    def settle(self, text: str) -> None:
        self.standing.said.append((f"{self.standing.waiting} {text}",))
        self.standing.since = len(self.standing.said)

    # --- the store ---

    def new(self) -> list[Reading]:
        come = [one for one in self._coming if one.received_at <= self.now()]
        self._coming = self._coming[len(come) :]
        # One that was claimed here was nobody's when it came, and was asked about.
        return [replace(one, person=None) if one.reading_id in self.sitting.claimed else one for one in come]

    def listening(self) -> bool:
        """Whether somebody listened then is not known; whoever shows the sitting looks whether somebody does now."""
        return True

    def claim(self, reading: Reading) -> None:
        if reading.reading_id not in self.sitting.claimed:
            with self.store.transaction():
                giving.give(self.store, reading.reading_id, self.person, self.now())
                open_sittings.note_claim(self.store, self.sitting, reading.reading_id)

    def keep(self, started_at: datetime, prepared: Sequence[str], reading_ids: Sequence[str]) -> None:
        kept = [one for one in sittings.every(self.store, self.person, started_at) if one.started_at == started_at]
        if not kept or (kept[0].prepared, kept[0].reading_ids) != (tuple(prepared), tuple(reading_ids)):
            sittings.keep(self.store, self.person, started_at, prepared, reading_ids, self.now())


def standing(store: Store, sitting: OpenSitting, person: str, request: SittingRequest, now: datetime) -> SittingSoFar:
    """How the sitting stands. Writes what follows from it: a claim that was answered, the sitting as it has come."""
    return Replay(store, sitting, person, now).run(request)
