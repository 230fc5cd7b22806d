"""When a reading was taken, measured against cuffs whose true times are known; see also docs/time.md."""

from dataclasses import replace
from pathlib import Path

import pytest
from cuffworld import FAULTS, Fault, Life, Verdict, World, lives, verdicts
from fresh import folder, fresh
from hypothesis import given, settings

from collector.intake.time.live_records import Newest, readings_of_live_records
from collector.store.instants import SECOND

READABLE = ("current time", "date time")
PLAIN = Life(seed=1, days=60, drift=20, first="right", read="current time", faults=(), late=0.3, broken=0.0)


def judged(life: Life) -> list[Verdict]:
    with folder() as base, fresh(Path(base) / "store.db") as store:
        world = World(store, life)
        world.play()
        return verdicts(world)


def hold(life: Life, seconds: float) -> None:
    """Whatever is given as sure is right to so many seconds, and no time is further out than it says.

    A clock that was changed before it was looked at again adds what it drifted since the nearest look.
    """
    found = judged(life)
    assert [one for one in found if one.relied and not one.within(seconds)] == []
    assert [one for one in found if not one.kept_its_word] == []


@given(lives(READABLE))
@settings(max_examples=12, deadline=None)
def test_a_readable_clock_gives_the_time_to_two_seconds(life: Life) -> None:
    hold(life, 2)


@given(lives(READABLE, set_clock=("when wrong", "always")))
@settings(max_examples=8, deadline=None)
def test_so_it_does_when_the_listener_sets_the_clock(life: Life) -> None:
    hold(life, 2)


@given(lives(("",)))
@settings(max_examples=12, deadline=None)
def test_live_records_alone_give_it_to_a_minute(life: Life) -> None:
    hold(life, 60)


@pytest.mark.long
@pytest.mark.timeout(7200)
@pytest.mark.parametrize(("read", "set_clock", "seconds"), [
    (READABLE, ("never",), 2), (READABLE, ("when wrong", "always"), 2), (("",), ("never",), 60),
])  # fmt: skip
def test_the_same_over_many_lives(read: tuple[str, ...], set_clock: tuple[str, ...], seconds: float) -> None:
    @given(lives(read, set_clock, days=(200, 500, 1100)))
    @settings(max_examples=300, deadline=None)
    def many(life: Life) -> None:
        hold(life, seconds)

    many()


def test_what_a_clock_gained_unwatched_before_it_was_changed_is_in_the_uncertainty() -> None:
    """A visit that broke off before the clock was read, and somebody set the clock before the next: the reading is
    3.5 s off after four days of drift, and says that it may be."""
    life = Life(2649550, 200, -9, "right", "date time", (Fault(33, "winter"),), 1.5, 0.0, set_clock="always")
    (off,) = [one for one in judged(life) if one.relied and one.error > 2]
    assert off.unwatched > 4 * 86_400
    assert off.reading.taken_uncertainty_s is not None
    assert off.error < off.reading.taken_uncertainty_s < 2 + 2 * 100e-6 * off.unwatched + 1


def test_a_clock_a_minute_off_is_not_taken_for_right_because_a_record_was_slow() -> None:
    """Set by hand to half a minute, it had drifted as much again when a slow live record made it look right."""
    faults = (Fault(47, "battery"), Fault(500, "travel"), Fault(500, "battery"), Fault(500, "set"))
    hold(Life(500, 1100, 46, "never set", "", faults, 1.5, 0.0, 0.05, 0.3), 60)


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("read", [*READABLE, ""])
def test_one_fault_in_a_plain_life(fault: str, read: str) -> None:
    """One change of the clock costs the certainty of few readings: about a fifth where it is read, more where not."""
    found = judged(replace(PLAIN, read=read, faults=(Fault(30, fault),)))
    assert sum(one.relied for one in found) > len(found) * (0.8 if read else 0.3)
    assert sum(one.unwatched == 0 for one in found) > len(found) * 0.9
    assert not [one for one in found if not one.kept_its_word]


def test_the_simulator_does_make_clocks_wrong() -> None:
    """Taken as sent the stamps of a cuff that was never set are years out: the test is no walk-over."""
    life = replace(PLAIN, first="never set", read="")
    with folder() as base, fresh(Path(base) / "store.db") as store:
        world = World(store, life)
        world.play()
        stamps = [one.reading.stamp for one in verdicts(world)]
    assert all(stamp is not None and stamp < "2017" for stamp in stamps)


def test_an_offset_that_a_late_habit_explains_as_well_is_no_surer_than_the_habit() -> None:
    """Four visits, the newest record an hour old at each: the clock is an hour slow, or somebody always sends late."""
    hour = 3600 * SECOND
    day = 24 * hour
    visits = [Newest(number, number * day, number * day - hour - number * SECOND, 0) for number in range(4)]
    assert [reading.doubt for reading in readings_of_live_records(visits)] == [3600.0, 3601.0, 3602.0, 3603.0]
    ahead = [Newest(number, number * day, number * day + hour, 0) for number in range(4)]
    assert {reading.doubt for reading in readings_of_live_records(ahead)} == {35.0}  # no habit sends early
