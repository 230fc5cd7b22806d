"""Stored records asked for in a visit: how many there are, what goes wrong, when it is over."""

import asyncio

import pytest
from air import NoteSink
from scripted_link import ScriptedLink, found, never

from collector.radio.errors import RefusedByCuff
from collector.radio.plan import VisitPlan
from collector.radio.visit import visit
from parsers.uuids import Uuid


@pytest.fixture
def sink() -> NoteSink:
    return NoteSink()


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
            {ALL: RefusedByCuff("procedure in progress", 0xFE)},
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

    @pytest.mark.parametrize("trouble", [never, RefusedByCuff("no"), None])
    async def test_a_cuff_that_does_not_tell_how_many_is_asked_for_all(
        self, sink: NoteSink, trouble: object, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("collector.radio.records.COUNT_S", 0.05)
        asked = await self._asked(sink, {self.COUNT: trouble, "answer 0401": b"\x06\x00\x04\x02"})
        assert (asked[0], asked[-1]) == (self.COUNT, self.ALL)

    async def test_deleting_is_never_asked(self, sink: NoteSink) -> None:
        asked = await self._asked(sink, {"answer 0101": b""})
        assert all(not step.startswith("ask 2a52 02") for step in asked)
