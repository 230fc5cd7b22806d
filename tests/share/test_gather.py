"""What a report is made of: one person's readings, notes, sittings and cuffs, and nobody else's."""

import shutil
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from measured import KITCHEN, MONDAY, make_store, week
from one_reading import one_reading

from collector.numbers.levels import LOW
from collector.numbers.protocols import PROTOCOLS
from collector.numbers.rules import Plan
from collector.numbers.values import Pressures
from collector.share.report.cuff_clocks import ahead_s, clock_line
from collector.share.report.gather import WantedReport, gather
from collector.share.text.preparation import READY, WHOLE_REST, rested, summary
from collector.store import readings
from collector.store.opening import open_store
from collector.store.people import notes, sittings
from collector.store.values import Basis, Selection

ESH = PROTOCOLS["esh-2023"]
NOW = datetime(2031, 6, 1, 9, 0, tzinfo=UTC)
MINE = WantedReport("mira", ESH, Plan())


@pytest.fixture(scope="session")
def made_year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """mira: a week in every fourth from March 2030 on, 12/8 lower from January 2031; rui: one week."""
    rows = [
        row
        for number in range(-13, 1)
        for row in week(MONDAY + timedelta(weeks=4 * number), *((150, 95) if number < -2 else (138, 87)))
    ]
    return make_store(
        tmp_path_factory.mktemp("year") / "year.db", [*rows, *week(MONDAY, 171, 99, slot=2)], {"mira": 1, "rui": 2}
    )


@pytest.fixture
def year(made_year: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(made_year, tmp_path / "year.db"))


def test_it_holds_the_persons_readings_and_nobody_elses(year: Path) -> None:
    with open_store(year) as store:
        data = gather(store, MINE, NOW)
        own = {one.reading_id for one in readings.select(store, Selection(person="mira"))}
        foreign = {one.reading_id for one in readings.select(store, Selection(person="rui"))}
    shown = {one.reading_id for one in data.samples}
    assert shown <= own
    assert not shown & foreign
    assert {*data.average.used_ids, *(one for one, _ in data.average.excluded)} <= own
    assert data.who == "mira"
    assert data.made_at.isoformat() == "2031-06-01T10:00:00+01:00"  # by the station's clock


def test_the_plot_reaches_half_a_year_back_or_as_far_as_asked(year: Path) -> None:
    with open_store(year) as store:
        usual = gather(store, MINE, NOW)
        longer = gather(store, replace(MINE, since=date(2030, 1, 1)), NOW)
    assert usual.average.last == date(2031, 3, 9)
    assert min(one.taken_at.date() for one in usual.samples) == date(2030, 9, 16)
    assert min(one.taken_at.date() for one in longer.samples) == date(2030, 3, 4)
    assert len(longer.samples) == 14 * 28
    assert longer.average == usual.average


def test_what_is_low_is_the_plans_word(year: Path) -> None:
    own = Pressures(Decimal(100), Decimal(55))
    with open_store(year) as store:
        assert gather(store, MINE, NOW).low == LOW
        assert gather(store, replace(MINE, plan=replace(MINE.plan, low=own)), NOW).low == own
        below_all = gather(store, replace(MINE, plan=replace(MINE.plan, low=Pressures(Decimal(140), Decimal(55)))), NOW)
    assert below_all.very_high == ()
    assert below_all.lows
    assert all(one.systolic and one.systolic < 140 for one in below_all.lows)


def test_the_averaged_days_may_lie_in_the_past(year: Path) -> None:
    with open_store(year) as store:
        data = gather(store, replace(MINE, first=date(2030, 4, 1), last=date(2030, 4, 7)), NOW)
    assert (data.average.first, data.average.last) == (date(2030, 4, 1), date(2030, 4, 7))
    assert data.average.taken == 28
    assert max(one.taken_at.date() for one in data.samples) == date(2030, 4, 7)


def test_the_last_noted_change_is_compared_and_others_bound_it(year: Path) -> None:
    with open_store(year) as store:
        notes.add(store, "mira", date(2029, 1, 1), "long ago", "regimen", NOW)
        notes.add(store, "mira", date(2030, 12, 20), "new tablet", "regimen", NOW)
        notes.add(store, "mira", date(2030, 12, 24), "a feast", "other", NOW)
        notes.add(store, "rui", date(2030, 12, 25), "rui's own", "regimen", NOW)
        data = gather(store, MINE, NOW)
    assert [(note.day, note.text) for note in data.notes] == [(date(2030, 12, 20), "new tablet")]
    assert data.change is not None
    assert data.change.at == date(2030, 12, 20)
    assert data.change.systolic is not None
    assert data.change.systolic.difference == pytest.approx(-12, abs=1)


def test_a_change_that_the_plot_does_not_show_is_not_compared(year: Path) -> None:
    with open_store(year) as store:
        notes.add(store, "mira", date(2030, 4, 20), "new tablet", "regimen", NOW)
        assert gather(store, MINE, NOW).change is None


def test_what_was_changed_after_the_averaged_days_is_not_on_their_page(year: Path) -> None:
    with open_store(year) as store:
        notes.add(store, "mira", date(2030, 3, 20), "new tablet", "regimen", NOW)
        notes.add(store, "mira", date(2030, 12, 20), "another", "regimen", NOW)
        data = gather(store, replace(MINE, first=date(2030, 4, 1), last=date(2030, 4, 7)), NOW)
    assert [note.text for note in data.notes] == ["new tablet"]
    assert data.change is not None
    assert data.change.at == date(2030, 3, 20)


def test_only_sittings_of_the_averaged_readings_are_told(year: Path) -> None:
    with open_store(year) as store:
        mine = [one.reading_id for one in readings.select(store, Selection(person="mira"))]
        sittings.keep(store, "mira", MONDAY + timedelta(hours=6), [*READY, WHOLE_REST], mine[-4:-2], NOW)
        sittings.keep(store, "mira", MONDAY + timedelta(hours=19), READY[1:], mine[-2:], NOW)
        sittings.keep(store, "mira", MONDAY - timedelta(days=100), [], mine[:2], NOW)
        data = gather(store, MINE, NOW)
    assert data.preparation == (f"2 guided sittings; not confirmed: {READY[0]} (1 of 2); {WHOLE_REST} (1 of 2)")


def test_preparation_in_one_line() -> None:
    assert summary([]) == ""
    assert summary([[*READY, WHOLE_REST]]) == "1 guided sitting: every point confirmed, rested 5 minutes"
    assert rested(300, 300) == WHOLE_REST
    assert rested(130.2, 300) == "rested 2:11 of 5:00 minutes"


def test_the_cuffs_of_the_averaged_days_and_their_clocks(year: Path) -> None:
    with open_store(year) as store:
        (line,) = gather(store, MINE, NOW).cuffs
    assert (line.name, line.clock) == ("kitchen", "28 readings; clock read and put right")


READING = one_reading(
    reading_id="3f9a",
    cuff=KITCHEN,
    mean=None,
    taken_at=MONDAY,
    taken_uncertainty_s=2.0,
    received_at=MONDAY,
    assessed=(),
    stamp="2031-03-03T00:07:00",
    payload="1e",
)


def test_a_clock_that_was_off_is_told() -> None:
    assert ahead_s(READING) == 420
    assert clock_line([READING, READING]) == "clock read and put right; it was 7 minutes fast"
    minute, less = (replace(READING, stamp=f"2031-03-03T00:0{ahead}") for ahead in ("1:00", "0:59"))
    assert clock_line([minute]).startswith("clock read and put right; it was ")
    assert clock_line([less]) == "clock read and put right"
    slow = replace(READING, stamp="2031-03-02T22:00:00", taken_uncertainty_s=90.0)
    assert clock_line([slow]) == "clock read and put right; it was 2 hours slow; within 2 minutes"


def test_what_the_times_rest_on_is_counted() -> None:
    alone = replace(READING, taken_basis=Basis.CUFF, taken_uncertainty_s=None)
    arrival = replace(READING, taken_basis=Basis.ARRIVAL, taken_uncertainty_s=None, stamp=None)
    hand = replace(READING, taken_basis=Basis.HAND, stamp="2031-03-03T00:00:00+00:00")
    assert clock_line([alone, arrival]) == (
        "by its clock alone, never compared (1 of 2); time of arrival (1 of 2); 2 not certain"
    )
    assert clock_line([hand]) == "written down by hand"
    assert ahead_s(alone) is ahead_s(arrival) is ahead_s(hand) is None
    assert ahead_s(replace(READING, stamp="2031-03-03T--:--:--")) is None
    assert clock_line([]) == ""
