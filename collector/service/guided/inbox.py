"""Which of the readings that arrive belong to a sitting: whose they are, when they were taken; asks where in doubt."""

from collections.abc import Callable
from datetime import datetime, timedelta
from shlex import quote
from typing import Protocol

from collector.service.guided.screen import TERMINAL
from collector.share.samples import has_certain_time
from collector.share.text.reading_table import pressure
from collector.store.values import Basis, Reading

STAMP_SLACK = timedelta(seconds=90)
"""A stamp may be that of the beginning, and of some cuffs a whole minute."""


class InboxSource(Protocol):
    def new(self) -> list[Reading]: ...

    def claim(self, reading: Reading) -> None: ...


class Inbox:
    """Sorts what arrives. yes: asks a question. say: tells. claim: how somebody else's reading is claimed."""

    def __init__(
        self,
        person: str,
        source: InboxSource,
        yes: Callable[[str], bool],
        say: Callable[[str], None],
        claim: str = TERMINAL.claim,
    ) -> None:
        self.person, self.source, self._yes, self._say, self._claim = person, source, yes, say, claim
        self._since: datetime | None = None
        self._unsorted: list[Reading] = []
        self._mine: list[Reading] = []
        self._told: set[str] = set()

    def open(self, since: datetime) -> None:
        """From now on readings belong to the sitting; those taken before do not."""
        self._since = since

    def early(self) -> bool:
        """During the rest: nothing ends it, and what comes does not belong to the sitting."""
        if any(reading.person == self.person for reading in self.source.new()):
            self._once("A reading came before the rest was over. It is kept, but not part of this sitting.")
        return False

    def waiting(self) -> bool:
        """Whether a reading of this sitting has come."""
        self._unsorted += self.source.new()
        while self._unsorted and not self._mine:
            reading = self._unsorted.pop(0)
            if self._belongs(reading):
                self._mine.append(reading)
        return bool(self._mine)

    def next(self) -> Reading | None:
        """The next reading of this sitting, once it has come."""
        return self._mine.pop(0) if self.waiting() else None

    def _belongs(self, reading: Reading) -> bool:
        if reading.taken_basis is Basis.HAND:  # a line of a log, or what corrects a reading of this very sitting
            return False
        if reading.person not in (None, self.person):
            self._once(
                "A reading came that is somebody else's. It does not count here. If it was yours after all: "
                f"{self._claim.format(person=self.person, quoted=quote(self.person), reading=reading.reading_id[:8])}."
            )
            return False
        timely = self._timely(reading)
        if not timely and has_certain_time(reading):
            self._once("Older readings came as well. They are kept, but not part of this sitting.")
            return False
        if reading.person is None:
            mine = self._yes(f"A reading came: {_shown(reading)}. It is nobody's yet. Is it yours, taken just now?")
            if mine:
                self.source.claim(reading)
            return mine
        return timely or self._yes(
            f"A reading came: {_shown(reading)}. Its time is not certain. Was it taken just now?"
        )

    def _timely(self, reading: Reading) -> bool:
        reach = timedelta(seconds=reading.taken_uncertainty_s or 0)
        return self._since is None or reading.taken_at >= self._since - STAMP_SLACK - reach

    def _once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self._say(text)


def _shown(reading: Reading) -> str:
    """What the cuff's display shows, by which the person knows it again."""
    pulse = "" if reading.pulse is None else f", pulse {reading.pulse:f}/min"
    slot = "" if reading.slot is None else f", slot {reading.slot}"
    return f"{' '.join(pressure(reading).split())}{pulse}{slot}"
