"""The visit procedure over a scripted link: what a failed step does, and that every visit ends properly."""

import asyncio
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from air import NoteSink

from collector.radio.learned import Learned, Manner
from collector.radio.outcome import CUFF_LEFT, LINK_LOST, Ending, Outcome
from collector.radio.plan import SetClock, VisitPlan
from collector.radio.port import (
    Bond,
    ClockSet,
    Found,
    Handles,
    KnownCuff,
    LinkLost,
    ReceivedPayload,
    Refused,
    ValueRead,
)
from collector.radio.visit import visit
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

    async def ask(self, what: Found, request: bytes) -> bytes:
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


@pytest.fixture
def sink() -> NoteSink:
    return NoteSink()


async def test_order_of_a_first_visit(sink: NoteSink) -> None:
    link = ScriptedLink(sink)
    assert str(await visit(link, sink, VisitPlan())) == "cuff left"
    assert link.steps == [
        "discover 1810",
        "subscribe 2a35",
        "discover 1805",
        "read 2a2b",
        "discover",
        "read 2a24",
        "read 2a49",
        "read 2a19",
        "hang up",
    ]
    assert sink.outcomes == {1: "cuff left"}
    assert sink.visit_of == [1]
    assert sink.facts_of(Bond) == [Bond(False)]
    assert sink.facts_of(Handles)[0] == Handles({0xA35: Uuid.BLOOD_PRESSURE_MEASUREMENT})


async def test_order_of_a_later_visit(sink: NoteSink) -> None:
    """Nothing is discovered anew, and what the cuff says of itself holds for a month; its battery is asked for."""
    await visit(ScriptedLink(sink), sink, VisitPlan())
    link = ScriptedLink(sink)
    await visit(link, sink, VisitPlan())
    assert link.steps == ["resume", "subscribe 2a35", "read 2a2b", "read 2a19", "hang up"]


async def test_a_bonded_cuff_is_encrypted_first(sink: NoteSink) -> None:
    sink.remember(KnownCuff(CUFF, bonded=True))
    link = ScriptedLink(sink)
    await visit(link, sink, VisitPlan())
    assert link.steps[:2] == ["secure", "discover 1810"]


async def test_a_month_later_the_cuff_describes_itself_again(sink: NoteSink) -> None:
    await visit(ScriptedLink(sink), sink, VisitPlan())
    (known,) = sink.known()
    sink.remember(replace(known, described_at=datetime.now(UTC) - timedelta(days=31)))
    link = ScriptedLink(sink)
    await visit(link, sink, VisitPlan())
    assert "read 2a24" in link.steps
    assert "discover" not in link.steps


async def test_features_that_may_change_are_read_at_every_visit(sink: NoteSink) -> None:
    """A cuff says that they may by declaring 'indicate' for them."""
    changing = (PLAIN[0], found(Uuid.BLOOD_PRESSURE_FEATURE, "read", "indicate"), *PLAIN[2:])
    for _ in range(2):
        link = ScriptedLink(sink, offers=changing)
        await visit(link, sink, VisitPlan())
    assert link.steps == ["resume", "subscribe 2a35", "read 2a2b", "read 2a49", "read 2a19", "hang up"]


async def test_a_table_that_changed_is_discovered_anew(sink: NoteSink) -> None:
    await visit(ScriptedLink(sink), sink, VisitPlan())
    link = ScriptedLink(sink, offers=(found(Uuid.BLOOD_PRESSURE_MEASUREMENT, "indicate", handle=0x50), *PLAIN[1:]))
    await visit(link, sink, VisitPlan())
    assert link.steps[:3] == ["resume", "discover 1810", "subscribe 2a35"]
    assert "read 2a24" in link.steps
    assert dict(sink.known()[0].handles) == {0x50: Uuid.BLOOD_PRESSURE_MEASUREMENT}


async def test_service_changed_in_a_visit_starts_over(sink: NoteSink) -> None:
    link = ScriptedLink(sink)

    async def change() -> None:
        link.table_changed = True

    link.script["read 2a2b"] = change
    await visit(link, sink, VisitPlan())
    assert link.steps.count("subscribe 2a35") == 2


@pytest.mark.parametrize("step", ["read 2a2b", "read 2a49", "read 2a24"])
async def test_a_refused_step_is_passed_over(sink: NoteSink, step: str) -> None:
    link = ScriptedLink(sink, {step: Refused("the cuff says no", 0x02)})
    assert str(await visit(link, sink, VisitPlan())) == "cuff left"
    assert sink.payloads == [b"record"]
    assert link.steps[-2] == "read 2a19"


@pytest.mark.parametrize("step", ["read 2a2b", "read 2a49"])
async def test_a_request_without_answer_is_the_last_and_is_left_out_next_time(sink: NoteSink, step: str) -> None:
    """ATT allows no further request before the answer; a late one could be taken for another's."""
    plan = VisitPlan(step_timeout_s=0.02, idle_s=0.3)
    link = ScriptedLink(sink, {step: never})
    await visit(link, sink, plan)
    assert link.steps[-2:] == [step, "hang up"]
    again = ScriptedLink(sink, {step: never})
    await visit(again, sink, plan)
    assert step not in again.steps
    assert again.steps[-2] == "read 2a19"


@pytest.mark.parametrize("delivers", [False, True])
async def test_a_read_that_makes_the_cuff_hang_up_is_left_out(sink: NoteSink, delivers: bool) -> None:
    """At once where it cost every record; else once it has happened twice, for a cuff may leave at any moment."""
    for visits, asked in enumerate([True, delivers, False]):
        link = ScriptedLink(sink, {"read 2a24": LinkLost("gone")})
        if not delivers:
            link.deliver = lambda value=b"": None  # type: ignore[method-assign]
        sink.remember(replace(sink.known()[0], described_at=None)) if visits else None
        await visit(link, sink, VisitPlan())
        assert ("read 2a24" in link.steps) is asked
    assert "read 2a19" in link.steps


async def test_a_slow_cuff_is_known_as_one(sink: NoteSink, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.steps.SLOW_S", 0.0)
    await visit(ScriptedLink(sink), sink, VisitPlan())
    assert {one.manner for one in sink.known()[0].manners} == {Manner.SLOW}


async def pause() -> None:
    await asyncio.sleep(0.2)


async def test_a_slow_cuff_gets_more_time(sink: NoteSink) -> None:
    sink.remember(KnownCuff(CUFF, False, manners=frozenset({Learned(Manner.SLOW)})))
    link = ScriptedLink(sink, {"read 2a2b": pause})
    await visit(link, sink, VisitPlan(step_timeout_s=0.05))
    assert "read 2a19" in link.steps


@pytest.mark.parametrize("step", ["discover", "read 2a2b", "read 2a49", "subscribe 2a35"])
async def test_a_lost_link_ends_the_visit_at_any_step(sink: NoteSink, step: str) -> None:
    link = ScriptedLink(sink, {step: LinkLost("gone")})
    link.ended = LINK_LOST
    assert str(await visit(link, sink, VisitPlan())) == "link lost"
    assert sink.outcomes == {1: "link lost"}


async def test_what_came_before_the_loss_stays(sink: NoteSink) -> None:
    link = ScriptedLink(sink)

    async def early() -> None:
        link.deliver(b"early")
        raise LinkLost("gone")

    link.script["read 2a49"] = early
    await visit(link, sink, VisitPlan())
    assert sink.payloads == [b"record", b"early"]
    assert sink.visit_of == [1, 1]


async def test_discovery_that_fails_says_so(sink: NoteSink) -> None:
    link = ScriptedLink(sink, {"discover": Refused("the cuff answers nonsense")})
    outcome = await visit(link, sink, VisitPlan(idle_s=0.01))
    assert str(outcome) == "failed: discovery: the cuff answers nonsense"


async def test_a_cuff_without_measurement_characteristic_is_told_as_one(sink: NoteSink) -> None:
    link = ScriptedLink(sink, offers=(found(Uuid.BLOOD_PRESSURE_FEATURE, "read"), found(Uuid.BATTERY_LEVEL, "read")))
    assert str(await visit(link, sink, VisitPlan())) == "failed: the cuff has no measurement characteristic"
    assert not sink.arrivals


async def test_a_store_that_takes_no_visit_is_survived(sink: NoteSink) -> None:
    def full(*_: object) -> int:
        raise OSError("disk full")

    sink.open_visit = full  # type: ignore[method-assign]
    link = ScriptedLink(sink)
    assert str(await visit(link, sink, VisitPlan())) == "failed: disk full"
    assert link.steps == ["hang up"]


async def test_a_fact_that_cannot_be_stored_costs_no_record(sink: NoteSink) -> None:
    def full(*_: object) -> None:
        raise OSError("disk full")

    sink.learn = full  # type: ignore[method-assign]
    await visit(ScriptedLink(sink), sink, VisitPlan())
    assert sink.payloads == [b"record"]


async def test_a_mistake_in_a_radio_ends_in_words(sink: NoteSink) -> None:
    link = ScriptedLink(sink, {"subscribe": ZeroDivisionError("oh")})
    assert str(await visit(link, sink, VisitPlan())) == "failed: ZeroDivisionError: oh"
    assert sink.outcomes == {1: "failed: ZeroDivisionError: oh"}


async def test_a_visit_that_is_cut_off_is_closed(sink: NoteSink) -> None:
    link = ScriptedLink(sink)
    link.leaves_after = ""
    task = asyncio.ensure_future(visit(link, sink, VisitPlan()))
    while not sink.arrivals:  # noqa: ASYNC110 (a few turns of the loop)
        await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert sink.outcomes == {1: "we left"}
    assert link.steps[-1] == "hang up"


@pytest.mark.parametrize("plan", [VisitPlan(idle_s=0.05), VisitPlan(longest_s=0.05), VisitPlan(most_records=1)])
async def test_limits_of_a_stay(sink: NoteSink, plan: VisitPlan, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.visit.LOOK_S", 0.01)
    link = ScriptedLink(sink)
    link.leaves_after = ""
    assert str(await visit(link, sink, plan)) == "we left"


async def test_the_links_own_reason_is_the_outcome(sink: NoteSink) -> None:
    link = ScriptedLink(sink)
    link.ended = Outcome(Ending.FAILED, "disk full")
    assert str(await visit(link, sink, VisitPlan())) == "failed: disk full"


class TestClock:
    @pytest.fixture(autouse=True)
    def _soon(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("collector.radio.visit.LOOK_S", 0.01)
        monkeypatch.setattr("collector.radio.visit.QUIET_S", 0.02)
        monkeypatch.setattr("collector.radio.visit.FIRST_QUIET_S", 0.005)

    async def _visit(
        self, sink: NoteSink, plan: VisitPlan, wrong: bool, script: dict[str, object] | None = None
    ) -> ScriptedLink:
        link = ScriptedLink(sink, script)
        link.leaves_after = ""
        if wrong:
            link.clock = lambda: datetime(2019, 1, 1)
        await visit(link, sink, plan)
        return link

    @pytest.mark.parametrize(
        ("how", "wrong", "sets"),
        [("never", True, False), ("when wrong", True, True), ("when wrong", False, False), ("always", False, True)],
    )
    async def test_set_as_configured(self, sink: NoteSink, how: str, wrong: bool, sets: bool) -> None:
        link = await self._visit(sink, VisitPlan(set_clock=SetClock(how), idle_s=0.1), wrong)
        assert ("write 2a2b" in link.steps) is sets
        assert len(sink.facts_of(ClockSet)) == sets

    async def test_only_after_the_records(self, sink: NoteSink) -> None:
        link = await self._visit(sink, VisitPlan(set_clock=SetClock.ALWAYS, idle_s=0.1), True)
        assert link.steps.index("write 2a2b") > link.steps.index("subscribe 2a35")
        assert link.steps[-4:] == ["read 2a2b", "write 2a2b", "read 2a2b", "hang up"]

    async def test_not_before_the_cuff_is_quiet(self, sink: NoteSink, monkeypatch: pytest.MonkeyPatch) -> None:
        """A quiet of an hour never comes in this visit; what describes is asked for in the first short one."""
        monkeypatch.setattr("collector.radio.visit.QUIET_S", 3600.0)
        link = await self._visit(sink, VisitPlan(set_clock=SetClock.ALWAYS, idle_s=0.1), True)
        assert "read 2a19" in link.steps
        assert "write 2a2b" not in link.steps

    @pytest.mark.parametrize("code", [0x80, 0x03])
    async def test_a_refusal_is_told_with_its_code(self, sink: NoteSink, code: int) -> None:
        await self._visit(
            sink, VisitPlan(set_clock=SetClock.ALWAYS, idle_s=0.1), True, {"write 2a2b": Refused("no", code)}
        )
        assert [fact.error for fact in sink.facts_of(ClockSet)] == [code]

    async def test_never_from_a_clock_of_ours_that_cannot_be_right(
        self, sink: NoteSink, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("collector.radio.own_clock.NO_EARLIER", datetime(2100, 1, 1, tzinfo=UTC))
        link = await self._visit(sink, VisitPlan(set_clock=SetClock.ALWAYS, idle_s=0.1), True)
        assert "write 2a2b" not in link.steps

    async def test_the_instant_is_the_middle_of_request_and_answer(self, sink: NoteSink) -> None:
        async def slow() -> None:
            await asyncio.sleep(0.1)

        before = datetime.now(UTC)
        await visit(ScriptedLink(sink, {"read 2a2b": slow}), sink, VisitPlan())
        clock = next(fact for fact in sink.facts_of(ValueRead) if fact.characteristic == Uuid.CURRENT_TIME)
        assert clock.round_trip_s >= 0.1
        assert (clock.at - before).total_seconds() == pytest.approx(clock.round_trip_s / 2, abs=clock.round_trip_s / 3)


class TestStoredRecords:
    OFFERS = (found(Uuid.BLOOD_PRESSURE_RECORD, "notify"), found(Uuid.RECORD_ACCESS_CONTROL_POINT, "write", "indicate"))
    COUNT, ALL = "ask 2a52 0401", "ask 2a52 0101"

    async def _asked(
        self, sink: NoteSink, script: dict[str, object] | None = None, plan: VisitPlan | None = None
    ) -> list[str]:
        link = ScriptedLink(sink, script, self.OFFERS)
        link.leaves_after = ""
        await visit(link, sink, plan or VisitPlan(idle_s=0.01))
        return [step for step in link.steps if step.startswith("ask")]

    @pytest.mark.parametrize(
        "script",
        [
            {},
            {"answer 0101": bytes.fromhex("06000106")},  # no records found
            {"answer 0101": b"\x99"},
            {ALL: Refused("procedure in progress", 0xFE)},
        ],
    )
    async def test_all_are_asked_for_once(self, sink: NoteSink, script: dict[str, object]) -> None:
        assert await self._asked(sink, script) == [self.COUNT, self.ALL]
        assert sink.outcomes == {1: "we left"}

    async def test_nothing_where_the_configuration_says_so(self, sink: NoteSink) -> None:
        assert await self._asked(sink, plan=VisitPlan(idle_s=0.01, fetch_records=False)) == []

    @pytest.mark.parametrize("plan", [VisitPlan(most_records=5), VisitPlan(longest_s=0.1)])
    async def test_the_limits_of_a_visit_hold_while_records_are_fetched(self, sink: NoteSink, plan: VisitPlan) -> None:
        """The cuff is told to stop, and keeps the rest."""
        link = ScriptedLink(sink, {}, self.OFFERS)
        link.leaves_after = ""

        async def endless() -> None:
            while True:
                link.deliver()
                await asyncio.sleep(0.02)

        link.script[self.ALL] = endless
        assert str(await visit(link, sink, plan)) == "we left"
        assert link.steps[-2:] == ["ask 2a52 0300", "hang up"]
        assert len(sink.payloads) < 60

    async def test_no_answer_and_no_record_for_long(self, sink: NoteSink, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("collector.radio.records.PATIENCE_S", 0.05)
        assert await self._asked(sink, {self.ALL: never}) == [self.COUNT, self.ALL]
        assert sink.outcomes == {1: "we left"}

    @pytest.mark.parametrize("trouble", [never, Refused("no"), None])
    async def test_a_cuff_that_does_not_tell_how_many_is_asked_for_all(
        self, sink: NoteSink, trouble: object, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("collector.radio.records.COUNT_S", 0.05)
        asked = await self._asked(sink, {self.COUNT: trouble, "answer 0401": b"\x06\x00\x04\x02"})
        assert (asked[0], asked[-1]) == (self.COUNT, self.ALL)

    async def test_deleting_is_never_asked(self, sink: NoteSink) -> None:
        asked = await self._asked(sink, {"answer 0101": b""})
        assert all(not step.startswith("ask 2a52 02") for step in asked)


async def test_characteristics_twice_and_none_declared(sink: NoteSink) -> None:
    offers = (
        found(Uuid.BLOOD_PRESSURE_MEASUREMENT, handle=3),
        found(Uuid.BLOOD_PRESSURE_MEASUREMENT, "indicate", handle=9),
        found(Uuid.BATTERY_LEVEL),
    )
    link = ScriptedLink(sink, offers=offers)
    tried: list[int] = []

    def refuse_first() -> Callable[..., object]:
        async def subscribe(what: Found, visit: int) -> None:
            tried.append(what.handle)
            if not what.properties:
                raise Refused("the characteristic declares neither indicate nor notify")
            link.deliver()
            link._down.set()

        return subscribe

    link.subscribe = refuse_first()  # type: ignore[method-assign, assignment]
    assert str(await visit(link, sink, VisitPlan())) == "cuff left"
    assert tried == [3, 9]
    assert sink.payloads == [b"record"]
