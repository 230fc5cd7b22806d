"""A guided sitting: make ready, rest, measure, wait, measure again. A flow over a screen, a clock and a source.

It sees readings as they arrive in the store, from whoever listens. Whatever arrives is in the store already; the flow
only keeps which of it this sitting was made of, again after each reading, so that leaving at any point loses nothing.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from typing import Protocol

from collector.numbers import rules, words
from collector.numbers.levels import LOW, is_low, is_very_high
from collector.numbers.values import Irregular, Pressures, Sample, mean_of, rounded_text
from collector.service.guided.inbox import Inbox
from collector.service.guided.screen import POLL_S, TERMINAL, Hints, Left, Screen, pressed, yes
from collector.share.samples import sample
from collector.share.text.preparation import READY, clock_text, rested
from collector.share.text.reading_text import measured_text
from collector.store.values import Reading

PATIENCE_S = 150.0
"""A measurement takes about a minute, a cuff's waking a few seconds: after this long something may be wrong."""
LISTENER_LOOK_S = 5.0
MORE_AT_MOST = 3
"""Readings beyond those wanted, where some do not count: then it is enough for one sitting."""
IRREGULAR_WANTS = 3
"""Readings once the pulse is irregular: NICE NG136, and the Taiwan consensus of 2020 with atrial fibrillation."""


class Clock(Protocol):
    def now(self) -> datetime:
        """Aware, UTC."""

    def seconds(self) -> float:
        """Goes evenly, whatever is done to the time of day."""


class Source(Protocol):
    """What the flow needs of the store."""

    def new(self) -> list[Reading]:
        """Readings that arrived since it was last asked."""

    def listening(self) -> bool:
        """Whether anybody collects into this store."""

    def claim(self, reading: Reading) -> None:
        """It is this person's."""

    def keep(self, started_at: datetime, prepared: Sequence[str], reading_ids: Sequence[str]) -> None:
        """The sitting as far as it has come; called again as it goes on."""


@dataclass(frozen=True, slots=True)
class SittingRequest:
    """What the sitting is to be. wanted: readings that count."""

    person: str
    protocol: rules.Protocol
    wanted: int = 2
    rest_s: float = 300.0
    low: Pressures = LOW
    emergency: str = ""
    hint: str = ""  # said at the beginning
    hints: Hints = TERMINAL


def request_of(
    person: str, protocol: rules.Protocol, plan: rules.Plan, wall: datetime, rest_s: float, emergency: str
) -> SittingRequest:
    """By the person's own plan. wall: what the station's clock on the wall shows."""
    planned = rules.PlannedProtocol.of(protocol, plan).protocol
    _, session = planned.day_and_session(wall)
    return SittingRequest(
        person=person,
        protocol=planned,
        wanted=max(planned.per_session, IRREGULAR_WANTS if plan.atrial_fibrillation else 1),
        rest_s=rest_s,
        low=plan.low or LOW,
        emergency=emergency,
        hint="" if session else words.outside_hours(wall, planned.handling.morning, planned.handling.evening),
    )


@dataclass(slots=True)
class SittingProgress:
    """What has become of it."""

    started_at: datetime
    wanted: int
    ruled_out: frozenset[str]  # flags that keep a reading from counting
    prepared: list[str] = field(default_factory=list)
    taken: list[Sample] = field(default_factory=list)  # this person's, in the order of arrival
    left: bool = False
    still_very_high: bool = False

    @property
    def counted(self) -> list[Sample]:
        return [one for one in self.taken if has_value(one) and not one.status & self.ruled_out]

    @property
    def enough(self) -> bool:
        return len(self.counted) >= self.wanted

    @property
    def goes_on(self) -> bool:
        return not (self.enough or self.still_very_high or len(self.taken) >= self.wanted + MORE_AT_MOST)


class Guide:
    """Leads one person through one sitting."""

    def __init__(self, request: SittingRequest, screen: Screen, clock: Clock, source: Source) -> None:
        self.request, self.screen, self.clock, self.source = request, screen, clock, source
        self.sitting = SittingProgress(clock.now(), request.wanted, request.protocol.handling.exclude_flags)
        self.inbox = Inbox(
            person=request.person, source=source, yes=partial(yes, screen), say=screen.say, claim=request.hints.claim
        )
        self._was_very_high = False

    def run(self) -> SittingProgress:
        """The whole of it. Leaving early is no error: the sitting says so."""
        try:
            self._make_ready()
            self._rest()
            while self.sitting.goes_on:
                self._judge(self._measure())
        except (Left, KeyboardInterrupt):
            self.sitting.left = True
        self._sum_up()
        return self.sitting

    # --- Before ---------------------------------------------------------------------------------------------------

    def _make_ready(self) -> None:
        self.screen.say(
            f"A sitting for {self.request.person}: {self.request.wanted} "
            f"reading{'s' * (self.request.wanted != 1)}, by {self.request.protocol.name}. "
            f"You can leave at any time {self.request.hints.leave}. What was measured stays.",
            *filter(None, [self.request.hint]),
            "",
            *(f"{number}. {line}" for number, line in enumerate(words.PREPARATION, 1)),
            "",
        )
        if yes(self.screen, f"Have you done points 1 to {len(READY)}?", "y: yes, n: one by one"):
            self.sitting.prepared.extend(READY)
            return
        for line, short in zip(words.PREPARATION, READY, strict=False):
            if yes(self.screen, line):
                self.sitting.prepared.append(short)

    def _rest(self) -> None:
        wanted = self.request.rest_s
        if wanted > 0:
            self.screen.say("Now rest. Do not talk or read. Do not measure yet.")
            gone = self._count_down(wanted, "Rest", self.inbox.early)
            self.sitting.prepared.append(rested(gone, wanted))
        self.inbox.open(self.clock.now())

    # --- Measuring ------------------------------------------------------------------------------------------------

    def _measure(self) -> Sample:
        """Wait for the next reading of this sitting, show and keep it."""
        self.screen.say(f"Start the cuff now, for reading {len(self.sitting.taken) + 1}. Keep still and do not talk.")
        began = looked = self.clock.seconds()
        hinted = alone = False
        while (reading := self.inbox.next()) is None:
            now = self.clock.seconds()
            if now - began >= PATIENCE_S and not hinted:
                hinted = True
                self.screen.say(
                    "Nothing has come yet. Is the cuff done? Keep it near. Some cuffs send only after a "
                    f"press of their Bluetooth button. {self.request.hints.causes}"
                )
            if now - looked >= LISTENER_LOOK_S:
                looked = now
                if alone is self.source.listening():
                    alone = not alone
                    self.screen.say(
                        f"No readings arrive now: the service has stopped. {self.request.hints.listen} This "
                        f"sitting then goes on."
                        if alone
                        else "Readings arrive again."
                    )
            self.screen.count(f"Waiting for the cuff {clock_text(now - began)}", "  q leaves")
            pressed(self.screen)
        one = sample(reading)
        self.sitting.taken.append(one)
        self._keep()
        self.screen.result(f"Reading {len(self.sitting.taken)}: {measured_text(one)}")
        return one

    def _keep(self) -> None:
        self.source.keep(
            self.sitting.started_at, self.sitting.prepared, [each.reading_id for each in self.sitting.taken]
        )

    def _judge(self, one: Sample) -> None:
        """Say what follows from a reading, and wait as long as that takes."""
        sitting, say = self.sitting, self.screen.say
        if not has_value(one):
            say("The cuff got no value. Check how it sits, then try again.")
        elif bad := sorted(one.status & sitting.ruled_out):
            say(f"The cuff says: {', '.join(bad)}. The reading is kept, but it does not count. Take one more.")
        if "irregular pulse" in one.status and sitting.wanted < IRREGULAR_WANTS:
            sitting.wanted = IRREGULAR_WANTS
            say(words.THIRD_READING)
        if is_very_high(one.systolic, one.diastolic):
            self._very_high()
        elif self._was_very_high and has_value(one):
            self._was_very_high = False
            say(words.no_longer_very_high())
        elif sitting.goes_on:
            self._count_down(self.request.protocol.gap_s, "Wait", self.inbox.waiting)

    def _very_high(self) -> None:
        """Calm words; after the first such reading a wait and a repeat, after the repeat an end."""
        say, emergency = self.screen.say, self.request.emergency
        if self._was_very_high:
            self.sitting.still_very_high = True
            say(words.still_very_high(), words.signs(emergency), words.stroke(emergency))
            return
        self._was_very_high = True
        self.sitting.wanted = max(self.sitting.wanted, len(self.sitting.counted) + 1)
        say(words.very_high(), words.signs(emergency), words.pregnancy(emergency))
        self._count_down(60.0 * words.WAIT_MINUTES, "Sit quietly", self.inbox.waiting)

    # --- After ----------------------------------------------------------------------------------------------------

    def _sum_up(self) -> None:
        sitting, say = self.sitting, self.screen.say
        counted = len(sitting.counted)
        kept = f"{len(sitting.taken)} reading{'s' * (len(sitting.taken) != 1)}"
        if sitting.left:
            say(f"You left before the end. {kept} of this sitting {'is' if len(sitting.taken) == 1 else 'are'} kept.")
        elif not (sitting.enough or sitting.still_very_high):
            say(
                f"That is enough for one sitting. {kept} were taken, {counted} of them "
                f"{'counts' if counted == 1 else 'count'}."
            )
        if not sitting.taken:
            return
        self._keep()
        self._mean()
        flagged = [one for one in sitting.taken if "irregular pulse" in one.status]
        say(
            *filter(
                None,
                (
                    words.irregular(Irregular(len(flagged), len(sitting.taken), 1, len(flagged) > 1))
                    if flagged
                    else "",
                    words.low(self.request.emergency, self.request.low)
                    if any(is_low(one.systolic, one.diastolic, self.request.low) for one in sitting.counted)
                    else "",
                    words.ONE_READING,
                    words.caution(self.request.emergency),
                ),
            )
        )

    def _mean(self) -> None:
        """Of what the protocol would use of this sitting."""
        counted = self.sitting.counted
        if self.request.protocol.drop_first_of_session and len(counted) > 1 and counted[0] is self.sitting.taken[0]:
            self.screen.say("This protocol leaves the first reading of a sitting out.")
            counted = counted[1:]
        if counted:
            pulses = [one.pulse for one in counted if one.pulse is not None]
            pulse = f", pulse {rounded_text(mean_of(pulses), 0)}/min" if pulses else ""
            upper, lower = (
                mean_of(value for one in counted if (value := getattr(one, name)) is not None)
                for name in ("systolic", "diastolic")
            )
            self.screen.result(
                f"Mean of this sitting: {rounded_text(upper)}/{rounded_text(lower)} mmHg{pulse}, from {len(counted)} "
                f"reading{'s' * (len(counted) != 1)}"
            )

    # --- Waiting and asking ---------------------------------------------------------------------------------------

    def _count_down(self, seconds: float, what: str, ends: Callable[[], bool]) -> float:
        """Count down, unless Enter is pressed or `ends` says so; returns the seconds that went by."""
        began = self.clock.seconds()
        while (gone := self.clock.seconds() - began) < seconds:
            if ends():
                return gone
            left = seconds - gone
            self.screen.count(f"{what} {clock_text(left)}", "  Enter skips, q leaves", left)
            if pressed(self.screen, min(POLL_S, left)) in ("\n", "\r"):
                return self.clock.seconds() - began
        return seconds


def has_value(one: Sample) -> bool:
    return one.systolic is not None and one.diastolic is not None
