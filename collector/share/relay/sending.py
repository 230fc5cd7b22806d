"""Empties the outbox of one receiver: in order per person, again after failures, never more than it has to."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256

from collector.share.export.context import ExchangeError, ExportContext
from collector.share.export.exported_before import digest
from collector.share.relay.kinds import KINDS
from collector.share.relay.pace import Pace, only_sender
from collector.share.relay.receiver import Board, Receiver
from collector.share.relay.series_there import SeriesThere
from collector.share.relay.target import (
    Batch,
    KeepsEntries,
    KeepsSeries,
    RefusedByReceiver,
    ShowsNewest,
    Target,
    TooSlow,
    Unreachable,
)
from collector.store import outbox, people, readings, receivers
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.merge import people_entries
from collector.store.merge.people_entries import Entry
from collector.store.outbox import Waiting
from collector.store.values import Reading, Selection

LONGEST_PAUSE = timedelta(hours=1)
LONGEST_WAIT_OF_REFUSED = timedelta(days=1)
_SHOWN = b"{}"
"""Instead of what people entered, of a receiver with a board: all that it has is shown there."""


@dataclass(slots=True)
class Sent:
    """What one run did. trouble: why it ended early; refused: how many readings; unusable: settings were at fault."""

    fresh: int = 0
    changed: int = 0
    gone: int = 0
    refused: int = 0
    trouble: str | None = None
    skipped: str | None = None  # why nothing was tried
    unusable: bool = False

    @property
    def total(self) -> int:
        return self.fresh + self.changed + self.gone


def pause_after(failures: int) -> timedelta:
    """Growing pauses: 5 s, 10 s, 20 s, … up to an hour."""
    return min(LONGEST_PAUSE, timedelta(seconds=5 * 2 ** min(failures, 20)))


def wait_of_refused(failures: int) -> timedelta:
    """A refused reading is tried again after 1 min, 2 min, … up to a day."""
    return min(LONGEST_WAIT_OF_REFUSED, timedelta(minutes=2 ** min(failures, 20)))


def send(
    store: Store,
    receiver: Receiver,
    context: ExportContext,
    connect: Callable[[Receiver, ExportContext], Target] | None = None,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    now_please: bool = False,
) -> Sent:
    """Send all that waits for the receiver. now_please: also before the pause after a failure is over.

    What cannot be sent stays. Raises StoreError; ExchangeError for settings that cannot be used.
    """
    receiver = found_people(store, receiver)
    row = receivers.enlist(store, receiver.name, clock())
    if not now_please and (until := receivers.pausing(store, row, clock())):
        return Sent(skipped=f"pausing until {until:%H:%M:%S} UTC after a failure")
    sent = Sent()
    with only_sender(store.path, row) as alone:
        if not alone:
            return Sent(skipped="another process is sending there")
        entered = _Entered.at(store, row, receiver, context)
        series = _series(store, row, receiver)
        waiting = bool(outbox.next_batch(store, row, 1, clock()))
        before = Board(*receivers.shown(store, row))
        if receiver.board and waiting:
            receivers.keep_entered(store, row, None)  # until the board says what the readings say
        unshown = before != receiver.board or bool(receiver.board and receivers.entered(store, row) is None)
        if not waiting and not entered.news and not (series and series.due) and not unshown:
            return sent
        if series and waiting:
            series.keep(due=True)
        pace = Pace.of(store, row, receiver)
        try:
            with (connect or open_target)(replace(receiver, timeout_s=pace.timeout_s), context) as target:
                run = _Run(store, row, receiver, target, pace, clock, sent)
                run.all()
                if unshown and isinstance(target, ShowsNewest):
                    run.show(target, before)
                if entered.news and isinstance(target, KeepsEntries):
                    receivers.keep_entered(store, row, None)  # until it answers, either may be there
                    target.keep(entered.entries)
                    receivers.keep_entered(store, row, entered.digest)
                if series and isinstance(target, KeepsSeries):
                    _bring(series, target, receiver, context, sent)
        except Unreachable as error:
            if isinstance(error, TooSlow):
                pace.was_too_slow()
            sent.trouble = str(error)
            pause = max(error.wait or timedelta(), pause_after(receivers.failures(store, row)))
            receivers.unreachable(store, row, sent.trouble, clock() + pause)
        else:
            receivers.reached(store, row, clock())
        pace.remember(store, row)
    return sent


def send_again(store: Store, receiver: Receiver, now: datetime) -> None:
    """Let everything wait anew, averages as well. What the receiver may have still is taken back once it is gone."""
    row = receivers.enlist(store, receiver.name, now)
    with store.transaction():
        series = _series(store, row, receiver)
        outbox.send_again(store, row)
        if series:
            series.keep_in_any_state()


def _series(store: Store, row: int, receiver: Receiver) -> SeriesThere | None:
    return SeriesThere.at(store, row) if receiver.averages and receiver.kind == "fhir" else None


def _bring(series: SeriesThere, target: KeepsSeries, receiver: Receiver, context: ExportContext, sent: Sent) -> None:
    try:
        series.bring(target, receiver, context)
    except RefusedByReceiver as error:  # of an average no reading has to wait for
        sent.trouble = str(error)
        series.keep(due=False)


def found_people(store: Store, receiver: Receiver) -> Receiver:
    """The receiver with its people as the store calls them. Raises ExchangeError for settings that cannot be used:
    where a name is two people's, nobody but the user knows who was meant."""
    receiver.check()
    try:
        named = [(name, people.find(store, name)) for name in receiver.people]
    except StoreError as error:
        raise ExchangeError(f"relay {receiver.name}: people: {error}") from None
    return replace(receiver, people=tuple(person.name if person else name for name, person in named))


def plan(store: Store, receiver: Receiver) -> Sent:
    """What `send` would send now, without sending and without changing anything."""
    receiver = found_people(store, receiver)
    sent = Sent()
    row = receivers.row_of(store, receiver.name)
    if row is None:
        sent.fresh = sum(_in_scope(receiver, reading) for reading in readings.select(store, Selection()))
        return sent
    after = 0
    while waiting := outbox.next_batch(store, row, 500, datetime.now(UTC), after):
        after = waiting[-1].seq
        _, batch, _ = _sorted(waiting, readings.those(store, [one.reading_id for one in waiting]), receiver)
        sent.fresh += len(batch.fresh)
        sent.changed += len(batch.changed)
        sent.gone += len(batch.gone)
    return sent


def open_target(receiver: Receiver, context: ExportContext) -> Target:
    """The receiver's connection; its client library is imported only here."""
    target: Target = KINDS[receiver.kind].load()(receiver, context)
    return target


def _in_scope(receiver: Receiver, reading: Reading) -> bool:
    if reading.person is None:
        return receiver.unassigned
    return not receiver.people or reading.person in receiver.people


def _sorted(
    waiting: list[Waiting], found: dict[str, Reading], receiver: Receiver
) -> tuple[list[tuple[Waiting, bytes | None]], Batch, list[tuple[Waiting, bytes | None]]]:
    """(what needs no sending, what is to be sent, the same with the digest it will have)."""
    idle: list[tuple[Waiting, bytes | None]] = []
    busy: list[tuple[Waiting, bytes | None]] = []
    fresh: list[Reading] = []
    changed: list[Reading] = []
    gone: list[str] = []
    for one in waiting:
        reading = found.get(one.reading_id)
        if reading is None or not _in_scope(receiver, reading):
            (busy if one.may_be_there else idle).append((one, None))
            if one.may_be_there:
                gone.append(one.reading_id)
            continue
        now = digest(reading)
        if now == one.digest and one.tried is None:
            idle.append((one, now))
            continue
        busy.append((one, now))
        (fresh if one.unknown_there else changed).append(reading)
    return idle, Batch(fresh, changed, gone), busy


@dataclass(frozen=True, slots=True)
class _Entered:
    """What people entered, for a receiver that keeps that. news: whether it has them otherwise."""

    entries: list[Entry]
    digest: bytes
    news: bool

    @classmethod
    def at(cls, store: Store, row: int, receiver: Receiver, context: ExportContext) -> "_Entered":
        if not KINDS[receiver.kind].entries:
            return cls([], b"", news=False)
        found = people_entries.told(store, receiver.people, context.plans)
        digest = sha256(repr(found).encode("utf-8", "replace")).digest()[:16]
        return cls(found, digest, news=digest != receivers.entered(store, row))


@dataclass(slots=True)
class _Run:
    """One run over the outbox of one receiver."""

    store: Store
    row: int
    receiver: Receiver
    target: Target
    pace: Pace
    clock: Callable[[], datetime]
    sent: Sent
    held_up: set[int] = field(default_factory=set)

    def all(self) -> None:
        after, started = 0, self.clock()
        while waiting := outbox.next_batch(self.store, self.row, self.pace.batch, started, after):
            after = waiting[-1].seq
            self._those(waiting)

    def _those(self, waiting: list[Waiting]) -> bool:
        """Whether all of them were taken. Where they are refused together, they are tried in halves: that finds the
        reading which is refused, or that there were too many of them."""
        waiting = [one for one in waiting if one.person_id not in self.held_up]
        if not waiting:
            return False
        try:
            self._some(waiting)
        except RefusedByReceiver as error:
            if len(waiting) == 1:
                self._refused(waiting[0], str(error))
                return False
            half = len(waiting) // 2
            taken = [self._those(waiting[:half]), self._those(waiting[half:])]
            if all(taken):
                self.pace.was_too_much(half)
            return all(taken)
        self.pace.went_well(len(waiting))
        return True

    def _refused(self, one: Waiting, reason: str) -> None:
        """What comes after it for the same person waits with it."""
        self.held_up.add(one.person_id)
        self.sent.refused += 1
        before = outbox.refusals_so_far(self.store, self.row).get(one.person_id, 0)
        outbox.note_refusal(self.store, self.row, one, reason, self.clock(), wait_of_refused(before))

    def _some(self, waiting: list[Waiting]) -> None:
        found = readings.those(self.store, [one.reading_id for one in waiting])
        idle, batch, busy = _sorted(waiting, found, self.receiver)
        if batch:
            batch = replace(batch, whose=people_entries.uids_called(self.store))
            outbox.trying(self.store, [one for one, _ in busy])
            self.target.deliver(batch)
        outbox.settled(self.store, self.row, idle + busy, self.clock())
        self.sent.fresh += len(batch.fresh)
        self.sent.changed += len(batch.changed)
        self.sent.gone += len(batch.gone)

    def show(self, target: ShowsNewest, before: Board) -> None:
        """What is refused is tried again with the next readings, or at once where it is to be shown elsewhere."""
        board = self.receiver.board
        newest = outbox.newest_sent(self.store, self.row, self.receiver.people) if board else []
        try:
            target.show(list(readings.those(self.store, newest).values()), before)
        except RefusedByReceiver as error:
            self.sent.trouble = str(error)
        else:
            receivers.keep_shown(self.store, self.row, board.topic, board.discovery)
        if board:
            receivers.keep_entered(self.store, self.row, _SHOWN)
