"""When a reading was taken, measured against cuffs whose true times are known."""

from pathlib import Path

from cuffworld import Life, Verdict, World, lives, verdicts
from fresh import folder, fresh
from hypothesis import given, settings

READABLE = ("current time", "date time")


def judged(life: Life) -> list[Verdict]:
    with folder() as base, fresh(Path(base) / "store.db") as store:
        world = World(store, life)
        world.play()
        return verdicts(world)


@given(lives(READABLE))
@settings(max_examples=40, deadline=None)
def test_a_readable_clock_gives_the_time_to_two_seconds(life: Life) -> None:
    found = judged(life)
    assert [one for one in found if one.relied and one.error > 2] == []
    assert [one for one in found if not one.kept_its_word] == []


@given(lives(READABLE, set_clock=("when wrong", "always")))
@settings(max_examples=20, deadline=None)
def test_so_it_does_when_the_listener_sets_the_clock(life: Life) -> None:
    found = judged(life)
    assert [one for one in found if one.relied and one.error > 2] == []
    assert [one for one in found if not one.kept_its_word] == []


@given(lives(("",)))
@settings(max_examples=40, deadline=None)
def test_live_records_alone_give_it_to_a_minute(life: Life) -> None:
    found = judged(life)
    assert [one for one in found if one.relied and one.error > 60] == []
    assert [one for one in found if not one.kept_its_word] == []
