"""When something is worth a notice. Instants are invented; the clinical bound names its source in the rules."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.service.notices.standing import (
    CuffNow,
    Folder,
    Limits,
    SeriesUnderWay,
    ServiceCondition,
    Situation,
    Taken,
    standing,
)
from collector.store.values import exact_mmhg

NOW = datetime(2031, 3, 4, 12, tzinfo=UTC)
CUFF = CuffNow(
    "C0:FF:EE:00:00:01", "kitchen", readings=40, last_visit=NOW - timedelta(hours=3), battery=80, clock_ahead_s=4.0
)
DAY, HOUR, MINUTE = timedelta(days=1), timedelta(hours=1), timedelta(minutes=1)


def keys(situation: Situation, limits: Limits | None = None) -> list[str]:
    return [notice.key for notice in standing(situation, limits or Limits())]


def taken(
    systolic: int | None, diastolic: int | None, ago: timedelta, slot: int | None = 1, person: str | None = "Ada"
) -> Taken:
    return Taken(
        f"{systolic}{ago}",
        CUFF.address,
        slot,
        person,
        systolic if systolic is None else Decimal(systolic),
        diastolic if diastolic is None else Decimal(diastolic),
        NOW - ago,
    )


def test_all_well_is_silent() -> None:
    assert (
        keys(
            Situation(
                NOW,
                (CUFF,),
                (taken(128, 81, HOUR),),
                folders=(Folder("/var", 10**10),),
                backups_wanted=True,
                newest_backup=NOW - DAY,
                since=NOW - 90 * DAY,
            )
        )
        == []
    )


@pytest.mark.parametrize(
    ("change", "topic"),
    [
        ({"last_visit": NOW - 14 * DAY}, "silent"),
        ({"last_visit": NOW - 14 * DAY + MINUTE}, None),
        ({"last_visit": NOW - 99 * DAY, "readings": 0}, None),  # passed by once, never used
        ({"last_visit": None}, None),
        ({"battery": 19}, "battery"),
        ({"battery": 20}, None),
        ({"battery": None}, None),
        ({"clock_ahead_s": 600.0}, "clock"),
        ({"clock_ahead_s": -600.0}, "clock"),
        ({"clock_ahead_s": 599.0}, None),
        ({"clock_ahead_s": None}, None),
        ({"bond_missing_on": "cuff"}, "bond"),
    ],
)
def test_a_cuff(change: dict[str, object], topic: str | None) -> None:
    found = standing(Situation(NOW, (replace(CUFF, **change),)), Limits())  # type: ignore[arg-type]
    assert [notice.topic for notice in found] == ([topic] if topic else [])
    assert all("kitchen" in notice.text and notice.remedy for notice in found)


def test_a_clock_in_doubt_says_nothing_of_how_long_anything_was_not_there() -> None:
    """Seen: a clock that stepped ten years ahead had a cuff 'not heard from for 3650 days', and told of no backup."""
    late = Situation(
        NOW,
        (replace(CUFF, last_visit=NOW - 3650 * DAY),),
        (taken(184, 81, HOUR),),
        series=(SeriesUnderWay("Ada", "x", "ESH 2021", 2, 28),),
        backups_wanted=True,
        since=NOW - 3650 * DAY,
    )
    assert {notice.topic for notice in standing(late, Limits())} == {"very high", "silent", "series", "backup late"}
    assert {notice.topic for notice in standing(replace(late, doubted=True), Limits())} == {"very high"}


def test_zero_days_means_never_missed() -> None:
    assert keys(Situation(NOW, (replace(CUFF, last_visit=NOW - 900 * DAY),)), Limits(cuff_silent_days=0)) == []


@pytest.mark.parametrize(
    ("systolic", "diastolic", "high"),
    [(180, 80, True), (179, 119, False), (120, 120, True), (210, None, True), (None, 121, True), (None, None, False)],
)
def test_very_high_from_180_or_120_on(systolic: int | None, diastolic: int | None, high: bool) -> None:
    assert bool(keys(Situation(NOW, recent=(taken(systolic, diastolic, HOUR),)))) is high


def test_a_very_high_reading_is_told_with_its_values_and_whose_it_is() -> None:
    (notice,) = standing(Situation(NOW, recent=(taken(192, 101, HOUR),)), Limits())
    assert notice.detail == {
        "reading_id": f"192{HOUR}",
        "person": "Ada",
        "systolic": "192",
        "diastolic": "101",
        "unit": "mmHg",
        "taken_at": "2031-03-04T11:00:00+00:00",
    }
    assert notice.personal == "a very high reading came (Ada): 192/101 mmHg, taken 2031-03-04 11:00+00:00"


def test_measured_again_and_lower_ends_it() -> None:
    high, lower = taken(192, 101, 40 * MINUTE), taken(168, 95, 20 * MINUTE)
    assert keys(Situation(NOW, recent=(high,))) == [f"very high/{CUFF.address}-1"]
    assert keys(Situation(NOW, recent=(lower, high))) == []
    assert keys(Situation(NOW, recent=(high, replace(lower, slot=2)))) == [f"very high/{CUFF.address}-1"]


def test_a_very_high_reading_over_a_bond_that_nobody_confirmed_is_nobodys_own() -> None:
    """It is told all the same, without a name; and a low one of that kind ends no notice of the cuff's own."""
    held = replace(taken(212, 125, HOUR), unconfirmed=True)
    (notice,) = standing(Situation(NOW, recent=(held,)), Limits())
    assert "not confirmed" in notice.text
    assert notice.personal is not None
    assert "perhaps another cuff's" in notice.personal
    assert "Ada" not in f"{notice.personal} {notice.detail}"
    low = replace(taken(118, 76, MINUTE), unconfirmed=True)
    assert keys(Situation(NOW, recent=(taken(212, 125, HOUR), low))) == [f"very high/{CUFF.address}-1"]


def test_a_sitting_of_very_high_readings_is_one_notice() -> None:
    readings = tuple(taken(190 + number, 100, number * MINUTE) for number in range(3))
    assert len(keys(Situation(NOW, recent=readings))) == 1


def test_an_old_very_high_reading_is_for_the_report() -> None:
    """A loan cuff that comes back after a month brings many; nobody is helped by hearing of them now."""
    assert keys(Situation(NOW, recent=(taken(199, 110, 25 * HOUR),))) == []


def test_no_name_and_no_value_without_leave() -> None:
    (notice,) = standing(Situation(NOW, recent=(taken(192, 101, HOUR),)), Limits())
    for secret in ("Ada", "192", "101"):
        assert secret not in notice.words(personal=False) + notice.key + notice.remedy
        assert secret in notice.words(personal=True)


def test_a_slot_without_number_has_a_subject_too() -> None:
    assert keys(Situation(NOW, recent=(taken(192, 101, HOUR, slot=None),))) == [f"very high/{CUFF.address}"]


def test_kilopascal_are_weighed_exact_mmhg() -> None:
    """24.0 kPa are 180.01 mmHg: 1 mmHg is 133.322 387 415 Pa (NIST SP 811, Appendix B.8)."""
    assert exact_mmhg(Decimal("24.0"), "kPa") == pytest.approx(Decimal("180.0147"), abs=Decimal("0.0001"))
    assert exact_mmhg(Decimal(180), "mmHg") == 180
    assert exact_mmhg(None, "kPa") is None


@pytest.mark.parametrize(
    ("done", "expected", "short"), [(11, 12, True), (12, 12, False), (20, 12, False), (0, 0, False)]
)
def test_a_series(done: int, expected: int, short: bool) -> None:
    series = SeriesUnderWay("Ada", "7f3a", "esh-2023", done, expected)
    found = standing(Situation(NOW, series=(series,)), Limits())
    assert bool(found) is short
    assert not standing(Situation(NOW, series=(series,)), Limits(series=False))
    for notice in found:
        assert "Ada" not in notice.words(personal=False) + notice.key
        assert "1 short" in notice.words(personal=True)


@pytest.mark.parametrize(("free", "short"), [(199_999_999, True), (200_000_000, False)])
def test_the_disk(free: int, short: bool) -> None:
    assert keys(Situation(NOW, folders=(Folder("/var/lib", free),))) == (["disk//var/lib"] if short else [])


@pytest.mark.parametrize(
    ("wanted", "newest", "since", "late"),
    [
        (True, NOW - 36 * HOUR, NOW - 90 * DAY, True),
        (True, NOW - 35 * HOUR, NOW - 90 * DAY, False),
        (True, None, NOW - 36 * HOUR, True),
        (True, None, NOW - HOUR, False),
        (True, None, None, False),  # nothing to back up
        (False, NOW - 90 * DAY, NOW - 90 * DAY, False),
    ],
)
def test_backups(wanted: bool, newest: datetime | None, since: datetime | None, late: bool) -> None:
    situation = Situation(NOW, backups_wanted=wanted, newest_backup=newest, since=since)
    assert keys(situation) == (["backup late"] if late else [])


def test_what_passes_by_itself_is_waited_for() -> None:
    def telling(topic: str, ago: timedelta) -> list[str]:
        return keys(Situation(NOW, conditions=(ServiceCondition(topic, "no adapter; plug one in", NOW - ago),)))

    assert telling("radio", 9 * MINUTE) == []
    assert telling("radio", 10 * MINUTE) == ["service/radio"]
    assert telling("backup", MINUTE) == ["service/backup"]
    (notice,) = standing(
        Situation(NOW, conditions=(ServiceCondition("radio", "no adapter; plug one in", NOW - HOUR),)), Limits()
    )
    assert (notice.text, notice.remedy) == ("no adapter", "plug one in")


cuffs = st.builds(
    CuffNow,
    st.sampled_from(["A", "B", "C"]),
    st.just("x"),
    st.integers(0, 3),
    st.none() | st.datetimes(datetime(2030, 1, 1), datetime(2031, 3, 4), timezones=st.just(UTC)),
    st.none() | st.integers(0, 100),
    st.none() | st.floats(-1e9, 1e9),
    st.sampled_from([None, "cuff"]),
)


@given(st.lists(cuffs, max_size=4))
def test_each_key_once_whatever_the_order(found: list[CuffNow]) -> None:
    named = {cuff.address: cuff for cuff in found}
    situation = Situation(NOW, tuple(named.values()))
    keyed = keys(situation)
    assert len(keyed) == len(set(keyed))
    assert sorted(keyed) == sorted(keys(replace(situation, cuffs=tuple(reversed(situation.cuffs)))))
