"""A hand-written log taken in: each reading once in whatever form it comes, copies of a cuff's told, its zone found."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlite_steps import steps_of

from collector.intake import giving, interpret, merge, rebuild
from collector.intake import take_log as take_log_module
from collector.intake.sources.hand_log import HAND_CHARACTERISTIC, HandRow
from collector.intake.take_log import read_line, take_log
from collector.store import journal, people, readings
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import stations
from collector.store.journal.cuffs import HAND
from collector.store.journal.payloads import ImportedPayload
from collector.store.opening import open_store
from collector.store.readings import copies, strikes
from collector.store.values import HAND_COPY, Reading, Selection
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime

NOW = datetime(2031, 6, 1, tzinfo=UTC)
AT = datetime(2031, 3, 4, 7, 30, tzinfo=UTC)
ROW = HandRow(taken_at=AT, systolic=Decimal(128), diastolic=Decimal(81))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "store.db") as store:
        stations.set_zone(store, "UTC", datetime(2030, 1, 1, tzinfo=UTC))
        for name in ("ada", "bob"):
            people.add(store, name, NOW)
        yield store


def written(store: Store) -> list[Reading]:
    return list(readings.select(store, Selection(cuff="hand")))


def send(store: Store, systolic: int, at: datetime, behind: timedelta = timedelta()) -> None:
    shown = DateTime.of((at - behind).replace(tzinfo=None))
    value = build_measurement(measurement(systolic, 81, 97, stamp=shown, pulse=64, user_id=1))
    appended = journal.append(
        store,
        cuff="C0:FF:EE:00:00:01",
        characteristic=0x2A35,
        value=value,
        arrived_at=at + timedelta(seconds=20),
        source="virtual",
    )
    interpret(store, appended.payload)


@pytest.mark.parametrize(
    "again",
    [
        ROW._replace(taken_at=AT.astimezone(timezone(timedelta(hours=-5)))),
        ROW._replace(systolic=Decimal("128.0")),
        ROW._replace(pulse=Decimal(64)),
        ROW._replace(person="ada"),
        ROW._replace(note="after a walk"),
        ROW._replace(pulse=Decimal(64), person="ada", note="after a walk"),
    ],
    ids=["offset", "precision", "pulse", "person", "note", "all"],
)
def test_the_same_line_in_another_form_is_the_same_reading(store: Store, again: HandRow) -> None:
    take_log(store, [ROW], NOW)
    take_log(store, [again], NOW)
    (one,) = written(store)
    assert (one.pulse, one.person, one.note) == (again.pulse, again.person, again.note)
    assert take_log(store, [ROW, again], NOW).new == 0
    rebuild(store)
    assert [replace(each, sightings=0) for each in written(store)] == [replace(one, sightings=0)]


_NUMBERS = st.decimals(1, 400, places=1) | st.integers(1, 400).map(Decimal)


@given(
    st.builds(
        HandRow,
        taken_at=st.datetimes(
            datetime(1901, 1, 1),
            datetime(2190, 1, 1),
            timezones=st.builds(timezone, st.integers(-840, 840).map(lambda minutes: timedelta(minutes=minutes))),
        ),
        systolic=st.none() | _NUMBERS,
        diastolic=st.none() | _NUMBERS,
        pulse=st.none() | _NUMBERS,
        note=st.none() | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=40),
        twin=st.integers(0, 3),
        of=st.none() | st.binary(min_size=16, max_size=16).map(bytes.hex),
    )
)
def test_what_a_line_says_is_what_its_octets_say(row: HandRow) -> None:
    """An import derives readings by what it wrote, a rebuild by the octets."""
    fields = {
        "taken_at": row.taken_at.isoformat(),
        **{
            name: None if (number := getattr(row, name)) is None else str(number)
            for name in ("systolic", "diastolic", "pulse")
        },
        "note": row.note,
        **({"twin": str(row.twin)} if row.twin else {}),
        **({"as_was": True} if row.as_was else {}),
        **({"of": row.of} if row.of else {}),
    }
    assert row.build() == json.dumps(fields, ensure_ascii=False, sort_keys=True).encode()
    reading_id, said = read_line(row)
    assert read_line(HandRow.parse(row.build())) == (reading_id, said)
    assert said.by_hand is not None
    assert said.by_hand.utcoffset() == row.taken_at.utcoffset()


def test_a_rebuild_finds_an_import_as_it_was(store: Store) -> None:
    rows = [
        ROW._replace(
            taken_at=(AT + timedelta(hours=n)).astimezone(timezone(timedelta(hours=n % 3 - 1))),
            systolic=None if n % 7 == 0 else Decimal(f"{110 + n}.{n % 2}"),
            diastolic=None if n % 7 == 0 else Decimal(81),
            pulse=Decimal(60) if n % 2 else None,
            note=f"arm \u00e4 {n}" if n % 3 else None,
            person="ada" if n % 5 else "bob",
        )
        for n in range(60)
    ]
    take_log(store, rows, NOW)
    taken = store.query("SELECT * FROM reading ORDER BY id").fetchall()
    assert len(taken) == 60
    rebuild(store)
    assert store.query("SELECT * FROM reading ORDER BY id").fetchall() == taken


def test_many_lines_onto_many_more_leave_those_alone(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """One line by itself costs as much as SO_MANY_AT_ONCE of all that is hand-written."""
    monkeypatch.setattr(take_log_module, "SO_MANY_AT_ONCE", 2)
    rows = [ROW._replace(taken_at=AT + timedelta(hours=n), systolic=Decimal(110 + n)) for n in range(126)]
    take_log(store, rows[::3] + rows[1::3], NOW)
    monkeypatch.setattr(take_log_module, "derive_cuff", lambda *_: pytest.fail("all were derived anew"))
    assert take_log(store, rows[2::3], NOW + timedelta(days=1)).new == 42
    taken = store.query("SELECT * FROM reading ORDER BY id").fetchall()
    rebuild(store)
    assert store.query("SELECT * FROM reading ORDER BY id").fetchall() == taken


def test_what_was_taken_in_is_named(store: Store) -> None:
    taken = take_log(store, [ROW], NOW)
    assert taken.reading_ids == tuple(reading.reading_id for reading in written(store))


def test_two_people_may_measure_the_same_in_the_same_minute(store: Store) -> None:
    rows = [ROW._replace(person="ada"), ROW._replace(person="bob")]
    assert take_log(store, rows, NOW).new == 2
    assert sorted(str(one.person) for one in written(store)) == ["ada", "bob"]
    assert take_log(store, rows[::-1], NOW).new == 0
    rebuild(store)
    assert sorted(str(one.person) for one in written(store)) == ["ada", "bob"]
    assert all(one.marks == () for one in written(store))


def test_many_at_once_are_as_one_by_one(store: Store, tmp_path: Path) -> None:
    rows = [ROW._replace(taken_at=AT + timedelta(hours=number), person="ada") for number in range(60)]
    rows += [row._replace(pulse=Decimal(60)) for row in rows[:5]]
    take_log(store, rows, NOW)
    with open_store(tmp_path / "other.db") as other:
        stations.set_zone(other, "UTC", datetime(2030, 1, 1, tzinfo=UTC))
        people.add(other, "ada", NOW)
        for row in rows:
            take_log(other, [row], NOW)
        singly = written(other)
    assert [(one.reading_id, one.pulse, one.person, one.sightings) for one in written(store)] == [
        (one.reading_id, one.pulse, one.person, one.sightings) for one in singly
    ]


@pytest.mark.parametrize("renamed", [False, True])
def test_a_line_of_whom_its_reading_was_taken_from_is_that_reading(store: Store, renamed: bool) -> None:
    """The log grows and is taken in again, and says of the line what it always said."""
    take_log(store, [ROW._replace(person="ada")], NOW)
    giving.give(store, written(store)[0].reading_id, "bob", NOW)
    if renamed:
        people.rename(store, "ada", "adele", NOW)
    again = take_log(store, [ROW._replace(person="adele" if renamed else "ada")], NOW)
    assert (again.new, [one.person for one in written(store)]) == (0, ["bob"])
    take_log(store, [ROW._replace(person=people.add(store, "cleo", NOW).name)], NOW)
    assert [one.person for one in written(store)] == ["bob", "cleo"]


def test_a_line_that_names_somebody_later_is_the_reading_that_was_claimed_meanwhile(store: Store) -> None:
    """Seen: the line had no name, its reading was claimed for bob, then the log named ada: both had it."""
    take_log(store, [ROW], NOW)
    giving.give(store, written(store)[0].reading_id, "bob", NOW)
    assert take_log(store, [ROW._replace(person="ada")], NOW).new == 0
    assert [one.person for one in written(store)] == ["bob"]


def test_what_one_station_made_nobodys_stays_so_where_another_had_the_line_first(store: Store, tmp_path: Path) -> None:
    take_log(store, [ROW], NOW)
    with open_store(tmp_path / "other.db") as other:
        people.add(other, "cleo", NOW)
        take_log(other, [ROW._replace(person="cleo")], NOW + timedelta(hours=1))
        giving.make_nobodys(other, written(other)[0].reading_id, NOW + timedelta(hours=2))
    merge(store, tmp_path / "other.db")
    assert take_log(store, [ROW._replace(person="cleo")], NOW).new == 0
    assert written(store)[0].person is None


def test_what_somebody_made_nobodys_stays_so(store: Store) -> None:
    take_log(store, [ROW._replace(person="ada")], NOW)
    giving.make_nobodys(store, written(store)[0].reading_id, NOW)
    assert take_log(store, [ROW._replace(person="ada")], NOW).new == 0
    assert written(store)[0].person is None


def test_nothing_is_taken_for_a_person_who_is_not_here(store: Store) -> None:
    with pytest.raises(StoreError, match="no person 'eve'"):
        take_log(store, [ROW, ROW._replace(person="eve")], NOW)
    assert list(readings.select(store)) == []


@pytest.mark.parametrize("cuff_first", [True, False])
def test_a_copy_of_a_cuffs_reading_is_marked_whichever_comes_first(store: Store, cuff_first: bool) -> None:
    rows = [ROW, ROW._replace(taken_at=AT + timedelta(minutes=5)), ROW._replace(systolic=Decimal(99))]
    if cuff_first:
        send(store, 128, AT + timedelta(seconds=12))
        take_log(store, rows, NOW)
    else:
        take_log(store, rows, AT + timedelta(seconds=1))
        send(store, 128, AT + timedelta(seconds=12))
    marked = [(int(one.systolic or 0), one.taken_at) for one in written(store) if HAND_COPY in one.marks]
    assert marked == [(128, AT)]
    before = written(store)
    assert copies.count(store, [one.reading_id for one in before]) == 1
    rebuild(store)
    assert written(store) == before


@pytest.mark.parametrize(("pulse", "copy"), [(None, True), (Decimal(64), True), (Decimal(90), False)])
def test_a_copy_is_told_as_far_as_the_cuffs_time_may_be_out(store: Store, pulse: Decimal | None, copy: bool) -> None:
    """A cuff that tells no time is known to some two minutes, and the line has the minute of a kitchen clock; what has
    another pulse is another reading."""
    for days_ago in (2, 1, 0):
        send(store, 128, AT + timedelta(seconds=75, days=-days_ago), behind=timedelta(seconds=80))
    sent = list(readings.select(store))[-1]
    assert 60 < (sent.taken_at - AT).total_seconds() < 60 + (sent.taken_uncertainty_s or 0) < 360
    take_log(store, [ROW._replace(pulse=pulse), ROW._replace(taken_at=AT + timedelta(minutes=9))], NOW)
    assert [HAND_COPY in one.marks for one in written(store)] == [copy, False]
    before = written(store)
    rebuild(store)
    assert written(store) == before


def test_anothers_cuff_makes_no_copy(store: Store) -> None:
    send(store, 128, AT)
    giving.give(store, next(readings.select(store)).reading_id, "bob", NOW)
    take_log(store, [ROW._replace(person="ada")], NOW)
    assert written(store)[0].marks == ()


def test_a_log_taken_in_before_the_station_knew_its_zone_is_healed(store: Store) -> None:
    """A week at 08:30 in New York, in a store that was made on a machine in UTC."""
    at = datetime(2031, 3, 4, 8, 30, tzinfo=timezone(timedelta(hours=-5)))
    take_log(store, [ROW._replace(taken_at=at)], NOW)
    assert written(store)[0].taken_at.hour == 8  # by the clock that the line was written with
    stations.set_zone(store, "America/New_York", NOW + timedelta(hours=1))
    rebuild(store)
    assert (written(store)[0].taken_at.hour, str(written(store)[0].taken_at.tzinfo)) == (8, "America/New_York")


def test_what_is_asked_of_each_cuff_and_line_costs_no_more_in_a_full_store(store: Store) -> None:
    """What is struck out is found by the strikes, and a line by its mark, whatever else is there."""
    line = ImportedPayload(HAND, HAND_CHARACTERISTIC, ROW.build(), AT, source="hand", mark="one")
    works = (lambda: strikes.mark_struck(store), lambda: journal.append_all(store, [line]))
    log = [ROW._replace(taken_at=AT + timedelta(hours=n)) for n in range(300)]
    take_log(store, log[:1], NOW)
    strikes.strike(store, written(store)[0].reading_id, NOW)
    journal.append_all(store, [line])
    before = [steps_of(store, work) for work in works]
    take_log(store, log, NOW)
    for work, few in zip(works, before, strict=True):
        assert steps_of(store, work) < few + 100
