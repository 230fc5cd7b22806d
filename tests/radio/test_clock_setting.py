"""A visit and the cuff's clock: when it is set, and what is learned of it."""

import asyncio
from datetime import UTC, datetime

import pytest
from air import NoteSink
from scripted_link import ScriptedLink

from collector.radio.errors import RefusedByCuff
from collector.radio.facts import ClockSet, ValueRead
from collector.radio.plan import SetClock, VisitPlan
from collector.radio.visit import visit
from parsers.uuids import Uuid


@pytest.fixture
def sink() -> NoteSink:
    return NoteSink()


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
            sink, VisitPlan(set_clock=SetClock.ALWAYS, idle_s=0.1), True, {"write 2a2b": RefusedByCuff("no", code)}
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
