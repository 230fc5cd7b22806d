"""What stands at which handle of a cuff: as remembered of an earlier visit, then as discovered in this one."""

from collections.abc import Iterable

from collector.radio.facts import MEASUREMENT_CHARACTERISTICS, Found, KnownCuff
from parsers.uuids import UNPLACED, Uuid


class Places:
    """measuring: of measurement characteristics, by handle. Until a discovery everything else may be one as well."""

    def __init__(self) -> None:
        self.measuring: dict[int, int] = {}
        self._others: set[int] = set()  # of what else an earlier visit found
        self._discovered = False
        self._changes: int | None = None  # the handle that tells of changes (Service Changed)

    def remember(self, known: KnownCuff) -> None:
        """A bonded cuff's handles hold until it says otherwise (Core Vol 3 Part G 2.5.2)."""
        self.measuring.update(known.handles)
        self._others = {one.handle for one in known.found} - set(known.handles)
        self._watch(known.found)

    def discovered(self, found: tuple[Found, ...]) -> None:
        short_at = {one.handle: one.short for one in found if one.short in MEASUREMENT_CHARACTERISTICS}
        if short_at or not self._discovered:
            self.measuring = {handle: short for handle, short in short_at.items() if short is not None}
        self._watch(found)
        self._discovered = True

    def forget(self) -> None:
        """What comes from now on is kept with its handle, until a discovery tells what stands there."""
        self._discovered = False
        self.measuring.clear()
        self._others.clear()

    def _watch(self, found: Iterable[Found]) -> None:
        self._changes = next((one.handle for one in found if one.short == Uuid.SERVICE_CHANGED), self._changes)

    def tells_of_changes(self, handle: int) -> bool:
        return handle == self._changes

    def characteristic_at(self, handle: int) -> int | None:
        """UNPLACED where nobody knows yet; None: no measurement."""
        if handle in self.measuring:
            return self.measuring[handle]
        return None if self._discovered or handle in self._others else UNPLACED
