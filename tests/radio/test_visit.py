"""The visit procedure over a scripted link: what a failed step does, and that every visit ends properly."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from air import NoteSink
from scripted_link import CUFF, PLAIN, ScriptedLink, found, never

from collector.radio.errors import LinkLost, RefusedByCuff
from collector.radio.facts import LINK_LOST, Bond, Ending, Found, Handles, KnownCuff, Learned, Manner, VisitOutcome
from collector.radio.plan import VisitPlan
from collector.radio.visit import visit
from parsers.uuids import Uuid


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
    link = ScriptedLink(sink, {step: RefusedByCuff("the cuff says no", 0x02)})
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
    link = ScriptedLink(sink, {"discover": RefusedByCuff("the cuff answers nonsense")})
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
    link.ended = VisitOutcome(Ending.FAILED, "disk full")
    assert str(await visit(link, sink, VisitPlan())) == "failed: disk full"


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
                raise RefusedByCuff("the characteristic declares neither indicate nor notify")
            link.deliver()
            link._down.set()

        return subscribe

    link.subscribe = refuse_first()  # type: ignore[method-assign, assignment]
    assert str(await visit(link, sink, VisitPlan())) == "cuff left"
    assert tried == [3, 9]
    assert sink.payloads == [b"record"]
