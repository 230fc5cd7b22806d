"""What every receiver can do, and in which two ways it can fail."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Protocol, Self, runtime_checkable

from collector.share.export.context import AverageResult, ExchangeError
from collector.share.private_file import masked
from collector.share.relay.receiver import Board
from collector.store.merge.people_entries import Entry
from collector.store.values import Reading


class Unreachable(ExchangeError):
    """Nothing can be sent there now: no network, no right, the receiver is busy. Worth trying again later.

    wait: what the receiver asked for, if it did. The text is shown without our secrets, whoever put one in.
    """

    def __init__(self, text: str, wait: timedelta | None = None) -> None:
        super().__init__(masked(text))
        self.wait = wait


class TooSlow(Unreachable):
    """The receiver takes longer than it was given: with less at once, or more time, it may do."""


class RefusedByReceiver(ExchangeError):
    """The receiver was reached and does not take this. None of the batch was taken."""

    def __init__(self, text: str) -> None:
        super().__init__(masked(text))


@dataclass(frozen=True, slots=True)
class Batch:
    """What is sent at once, all or nothing.

    fresh: never sent. changed: may be there in an earlier state. gone: ids of what was sent and is to go. whose: what
    names each person at whatever station (the uid in hex), by what they are called.
    """

    fresh: Sequence[Reading] = ()
    changed: Sequence[Reading] = ()
    gone: Sequence[str] = ()
    whose: Mapping[str, str] = field(default_factory=dict)

    @property
    def readings(self) -> list[Reading]:
        return [*self.fresh, *self.changed]

    def __bool__(self) -> bool:
        return bool(self.fresh or self.changed or self.gone)


class Target(Protocol):
    """An open connection to a receiver. Opening and delivering raise Unreachable, delivering also RefusedByReceiver."""

    def deliver(self, batch: Batch) -> None:
        """When this returns, the receiver has the batch, each reading once, however often it is delivered."""

    def __enter__(self) -> Self: ...

    def __exit__(self, *_: object) -> None: ...


@runtime_checkable
class KeepsEntries(Protocol):
    """A receiver that also keeps what people entered: persons, spans, loans, notes, plans, sittings."""

    def keep(self, entries: Sequence[Entry]) -> None:
        """These are the station's entries now, and no others. Raises Unreachable, RefusedByReceiver."""


@dataclass(frozen=True, slots=True)
class SeriesNews:
    """By the UUID of the series: averages that are new or other now, and what makes their pages; gone: what is no
    series any longer."""

    averages: Mapping[str, AverageResult]
    pages: Mapping[str, Callable[[], bytes]]
    gone: Sequence[str]

    def __bool__(self) -> bool:
        return bool(self.averages or self.gone)


@runtime_checkable
class KeepsSeries(Protocol):
    """A receiver that also takes averages and their pages."""

    def keep_series(self, news: SeriesNews) -> None:
        """Once each, in place of what is there of the same series. Raises Unreachable, RefusedByReceiver."""


@runtime_checkable
class ShowsNewest(Protocol):
    """A receiver that also shows each person's newest reading."""

    def show(self, newest: Sequence[Reading], before: Board) -> None:
        """Show these on the receiver's board, and take down whatever else is shown of this station's, there and where
        it was shown before. Raises Unreachable, RefusedByReceiver."""
