"""Notes and sittings: kept, listed, taken back, merged and erased with the person."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from collector import intake
from collector.intake.erasure import erase_person
from collector.store import people
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.opening import open_store
from collector.store.people import notes, sittings

NOW = datetime(2031, 3, 4, 8, 0, tzinfo=UTC)
DAY = date(2031, 3, 1)


def filled(path: Path) -> Store:
    store = open_store(path)
    people.add(store, "mira", NOW)
    people.add(store, "rui", NOW)
    return store


def test_a_note_is_kept_with_its_day_and_kind(tmp_path: Path) -> None:
    with filled(tmp_path / "s.db") as store:
        later = notes.add(store, "MIRA", date(2031, 4, 1), " new  tablet\nin the morning ", "regimen", NOW)
        first = notes.add(store, "mira", DAY, "moved house", "other", NOW)
        notes.add(store, "rui", DAY, "moved house", "other", NOW)
        assert notes.every(store, "mira") == [first, later]
        assert later.text == "new tablet in the morning"
        assert notes.every(store, "mira", "regimen") == [later]


def test_a_note_taken_back_is_gone_with_its_words(tmp_path: Path) -> None:
    with filled(tmp_path / "s.db") as store:
        note = notes.add(store, "mira", DAY, "a private matter", "other", NOW)
        assert notes.remove(store, "mira", note.note_id[:6].upper(), NOW) == note
        assert notes.every(store, "mira") == []
        assert store.scalar("SELECT count(*) FROM note WHERE text LIKE '%private%'") == 0
        notes.add(store, "mira", DAY, "a private matter", "other", NOW)  # and may be written again


@pytest.mark.parametrize(
    ("person", "text", "kind", "words"),
    [
        ("lena", "x", "regimen", "no person 'lena'"),
        ("mira", " \n", "regimen", "1 to 500 characters, this one 0"),
        ("mira", "x" * 501, "other", "this one 501"),
        ("mira", "x", "diet", "of kind regimen, dose or other, not 'diet'"),
        ("mira", "5 mg", "dose", "only its time is noted, such as 07:30; never what it was or how much"),
        ("mira", "07:30 5 mg", "dose", "only its time is noted"),
    ],
)
def test_what_is_no_note_is_refused(tmp_path: Path, person: str, text: str, kind: str, words: str) -> None:
    with filled(tmp_path / "s.db") as store, pytest.raises(StoreError, match=words):
        notes.add(store, person, DAY, text, kind, NOW)


def test_the_same_note_twice_and_ids_that_fit_none_or_several(tmp_path: Path) -> None:
    with filled(tmp_path / "s.db") as store:
        notes.add(store, "mira", DAY, "new tablet", "regimen", NOW)
        with pytest.raises(StoreError, match="has this note on 2031-03-01 already"):
            notes.add(store, "mira", DAY, "new tablet", "regimen", NOW)
        foreign = notes.add(store, "rui", DAY, "new tablet", "regimen", NOW)
        for wrong in ("", "zz", foreign.note_id):
            with pytest.raises(StoreError, match="no note of mira has an id that begins"):
                notes.remove(store, "mira", wrong, NOW)


def test_a_sitting_grows_and_stays_one(tmp_path: Path) -> None:
    with filled(tmp_path / "s.db") as store:
        sittings.keep(store, "mira", NOW, ["toilet first"], ["a1"], NOW)
        later = NOW + timedelta(minutes=2)
        sittings.keep(store, "Mira", NOW, ["toilet first", "rested 5 minutes"], ["a1", "b2"], later)
        sittings.keep(store, "mira", NOW + timedelta(hours=12), [], ["c3"], NOW)
        sittings.keep(store, "rui", NOW, [], ["d4"], NOW)
        first, second = sittings.every(store, "mira")
        assert (first.started_at, first.prepared, first.reading_ids) == (
            NOW,
            ("toilet first", "rested 5 minutes"),
            ("a1", "b2"),
        )
        assert sittings.every(store, "mira", since=NOW + timedelta(seconds=1)) == [second]


def test_both_travel_to_another_station_and_go_with_the_person(tmp_path: Path) -> None:
    with filled(tmp_path / "one.db") as one:
        kept = notes.add(one, "mira", DAY, "new tablet", "regimen", NOW)
        gone = notes.add(one, "mira", DAY, "a slip of the pen", "other", NOW)
        sittings.keep(one, "mira", NOW, ["toilet first"], ["a1"], NOW)
    with open_store(tmp_path / "two.db") as two:
        intake.merge(two, tmp_path / "one.db")
        assert {note.text for note in notes.every(two, "mira")} == {kept.text, gone.text}
        assert len(sittings.every(two, "mira")) == 1
        with open_store(tmp_path / "one.db") as one:
            notes.remove(one, "mira", gone.note_id, NOW + timedelta(minutes=1))
        intake.merge(two, tmp_path / "one.db")
        assert notes.every(two, "mira") == [kept]
        erase_person(two, "mira")
        assert two.scalar("SELECT (SELECT count(*) FROM note) + (SELECT count(*) FROM sitting)") == 0
        assert b"new tablet" not in (tmp_path / "two.db").read_bytes()
