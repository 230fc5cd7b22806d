"""Erasing a person leaves no octet of theirs in the file, and nothing brings it back."""

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from shutil import copyfile
from typing import Any

import pytest

from collector import intake
from collector.store import StoreError, audit, journal, open_store, people, readings, sightings, upkeep
from collector.store.outbox import Fetched
from collector.store.people import slot_spans, traces
from collector.store.people.traces import search
from collector.store.readings import claims
from parsers.measurement import build_measurement, measurement

MONDAY = datetime(2026, 3, 9, 7, 0, tzinfo=UTC)
ADA, BEN = "Ada Lovett-Quill", "Benedikt Sommerau"


def payload(day: int, slot: int) -> bytes:
    stamp = (MONDAY + timedelta(days=day)).replace(tzinfo=None)
    return build_measurement(measurement(120 + day, 80, stamp=stamp, user_id=slot, pulse=60 + slot))


@pytest.fixture
def household(bench: Any) -> Any:
    """Two people with twenty readings each, some sent again, one passed on, one record cut short."""
    store = bench.store
    for name, slot in ((ADA, 1), (BEN, 2)):
        people.add(store, name, MONDAY)
        visit = bench.visit(MONDAY)
        for day in range(20):
            bench.bring(payload(day, slot), MONDAY + timedelta(days=day, minutes=slot), visit)
        slot_spans.add(store, name, bench.cuff, slot, MONDAY)
        bench.end(visit, MONDAY + timedelta(days=21))
    bench.bring(payload(3, 1), MONDAY + timedelta(days=30))
    bench.bring(payload(4, 1)[:15], MONDAY + timedelta(days=31))
    intake.reassign(store)
    passed = next(r.reading_id for r in readings.select(store) if r.person == ADA)
    claims.claim(store, passed, BEN, MONDAY + timedelta(days=40))
    intake.reassign(store)
    people.rename(store, ADA, ADA + "-X", MONDAY + timedelta(days=41))
    return bench


def stands(store: Any, *texts: bytes) -> list[bytes]:
    return search(store.path, texts)


def test_nothing_of_the_person_is_left_in_the_file(household: Any) -> None:
    store = household.store
    hers = [payload(day, 1) for day in range(1, 20)]
    assert len(stands(store, *hers, ADA.encode())) == 20
    erased = intake.erase_person(store, ADA + "-X")
    # One of her twenty is Benedikt's by claim; one came twice; the record cut short came in her time.
    assert (erased.erasure.readings, erased.erasure.payloads, erased.left, erased.naming) == (19, 21, (), ())
    assert len(erased.erasure.traces) >= 19
    assert stands(store, *hers, ADA.encode()) == []
    assert [r.person for r in readings.select(store)] == [BEN] * 21
    assert people.find(store, ADA + "-X") is None
    assert not any("Ada" in repr(change) for change in audit.changes(store))
    assert (upkeep.integrity(store), sightings.miscounted(store)) == ([], 0)
    assert intake.rebuild(store) == 21


def test_the_proof_would_see_what_was_left(household: Any) -> None:
    """Without writing the file anew, deleted rows do stand in it: the search is no formality."""
    from collector.store.people.erase import delete_erased, name_as_erased

    store = household.store
    with store.transaction():
        going = name_as_erased(store, ADA + "-X")
        delete_erased(store)
    assert search(store.path, going.traces)


def test_neither_merge_nor_backup_brings_anything_back(household: Any, tmp_path: Path) -> None:
    store = household.store
    backup = tmp_path / "backup.db"
    had = Fetched(store, "monthly")
    for reading in readings.select(store):
        had.note(reading.reading_id, b"digest")
    had.keep()
    upkeep.backup_to(store, backup)
    other = tmp_path / "other station.db"
    copyfile(backup, other)
    intake.erase_person(store, ADA + "-X")
    intake.merge(store, other)
    assert stands(store, payload(5, 1), ADA.encode()) == []
    assert readings.count(store) == 21

    assert intake.erase_in_backup(store, backup) == 21
    assert search(backup, [payload(5, 1), ADA.encode()]) == []
    with open_store(backup) as copy:
        assert copy.scalar("SELECT count(*) FROM fetched") == len(list(readings.select(copy))) == 21
    with open_store(other) as station:
        intake.merge(station, store.path)
        assert people.find(station, ADA + "-X") is None
        assert {r.person for r in readings.select(station)} == {BEN}


def test_a_copy_loses_what_it_alone_has_of_who_was_erased(household: Any, tmp_path: Path) -> None:
    """It came after a backup that was put back since. What was passed on since the copy is Benedikt's, and stays."""
    store, copy = household.store, tmp_path / "before restore.db"
    with open_store(copy) as later:
        intake.merge(later, store.path)
        for day in (50, 51):
            sent = journal.append(later, cuff=household.cuff, characteristic=0x2A35, value=payload(day, 1),
                                  arrived_at=MONDAY + timedelta(days=day), source="virtual")  # fmt: skip
            intake.interpret(later, sent.payload)
        hers = next(r for r in readings.select(later) if r.person == ADA + "-X")
    claims.claim(store, hers.reading_id, BEN, MONDAY + timedelta(days=60))
    intake.reassign(store)
    intake.erase_person(store, ADA + "-X")
    assert intake.erase_in_backup(store, copy) == 22
    assert search(copy, [payload(day, 1) for day in (5, 50, 51)]) == []
    with open_store(copy) as later:
        assert [r.person for r in readings.select(later) if r.person != BEN] == [None]
        assert readings.get(later, hers.reading_id).person is None


def test_that_somebody_was_erased_is_written_down_without_the_name(household: Any) -> None:
    intake.erase_person(household.store, ADA + "-X")
    line = next(change for change in audit.changes(household.store) if change.what == "person erased")
    assert (line.person, line.detail) == (None, {"readings": 19, "payloads": 21, "notes": 0})


def test_neither_outbox_nor_exports_nor_a_receivers_refusal_keep_anything(household: Any) -> None:
    """A relay is told that the readings are gone, by their ids; when it was, nothing of them is left."""
    from collector.share.export.exported_before import ExportedBefore
    from collector.store import outbox, receivers

    store, at = household.store, MONDAY + timedelta(days=60)
    hers = [r for r in readings.select(store) if r.person == ADA + "-X"]
    row = receivers.enlist(store, "clinic", at)
    book = ExportedBefore(store, "csv")
    assert len(list(book.new_among(readings.select(store)))) == 40
    book.keep()
    waiting = outbox.next_batch(store, row, 100, at)
    outbox.settled(store, row, [(one, b"digest of it") for one in waiting[1:]], at)
    outbox.note_refusal(store, row, waiting[0], "a refusal that quotes 128/84", at, timedelta(days=1))
    intake.erase_person(store, ADA + "-X")
    ids = [r.reading_id.encode() for r in hers]
    told = [one for one in outbox.next_batch(store, row, 100, at) if one.reading_id.encode() in ids]
    assert len(told) == len(ids)
    assert stands(store, b"quotes 128/84") == []
    outbox.settled(store, row, [(one, None) for one in told], at)
    upkeep.checkpoint(store)
    assert stands(store, *ids) == []


def test_who_is_not_there_cannot_be_erased(household: Any) -> None:
    with pytest.raises(StoreError, match="no person"):
        intake.erase_person(household.store, "Nobody")


def test_the_other_keeps_everything(household: Any) -> None:
    before = [r for r in readings.select(household.store) if r.person == BEN]
    intake.erase_person(household.store, ADA + "-X")
    assert list(readings.select(household.store)) == before


def test_what_another_station_still_writes_about_the_erased_stays_out(household: Any, tmp_path: Path) -> None:
    from collector.store.people import notes

    store, other = household.store, tmp_path / "other station.db"
    upkeep.backup_to(store, other)
    intake.erase_person(store, ADA + "-X")
    with open_store(other) as station:
        at = MONDAY + timedelta(days=50)
        slot_spans.add(station, ADA + "-X", household.cuff, None, at)
        notes.add(station, ADA + "-X", at.date(), "felt well after lunch", "other", at)
        one, two = (
            next(r.reading_id for r in readings.select(station) if r.person == name) for name in (BEN, ADA + "-X")
        )
        claims.claim(station, one, ADA + "-X", at)
        claims.claim(station, two, BEN, at)  # its line in the history is Ben's, and says from whom
        intake.reassign(station)
    intake.merge(store, other)
    assert stands(store, b"felt well after lunch", ADA.encode()) == []
    assert [r.person for r in readings.select(store)] == [BEN] * 21
    assert (upkeep.integrity(store), sightings.miscounted(store)) == ([], 0)


@pytest.mark.parametrize("at", range(0, 40, 3))
def test_a_trace_across_pieces_of_the_file_is_found(at: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file is looked through piece by piece: wherever a trace lies, also half in one piece and half in the next."""
    monkeypatch.setattr(traces, "_CHUNK", 16)
    file = tmp_path / "store.db"
    file.write_bytes(b"." * at + b"longer trace" + b"." * 7 + b"x" + b"." * 50)
    assert traces.search(file, [b"longer trace", b"x", b"absent"]) == [b"longer trace", b"x"]
    many = [b"%d is absent" % number for number in range(200)]
    assert traces.search(file, [b"longer trace", b"x", *many]) == [b"longer trace", b"x"]
    (tmp_path / "store.db-wal").write_bytes(b"." * at + b"absent")
    assert traces.search(file, [b"absent"]) == [b"absent"]


def test_a_short_name_is_not_found_in_what_names_rows_by_chance(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.db") as store:
        people.add(store, "rui", MONDAY)
        store.query("UPDATE person SET uid = ?", (b"......-x-.......",))
        assert traces.naming(store, ["-x-"]) == []
        people.rename(store, "rui", "-x- rui", MONDAY)
        assert traces.naming(store, ["-x-"])


def test_whoever_finished_an_erase_and_goes_on_writing_loses_nothing_to_the_next_command(tmp_path: Path) -> None:
    """POSIX locks go with the first descriptor of a file that a process closes: with its locks gone, the log that a
    listener writes to was deleted by the next command that ended (SQLite documentation, "How To Corrupt")."""
    path = tmp_path / "s.db"
    another = "import sys; from pathlib import Path; from collector.store import open_store\n"
    another += "with open_store(Path(sys.argv[1]), create=False) as s: print(s.scalar('SELECT count(*) FROM person'))"
    with open_store(path) as store:
        people.add(store, "mira", MONDAY)
        intake.erase_person(store, "mira")
        subprocess.run([sys.executable, "-c", another, str(path)], check=True, capture_output=True)
        people.add(store, "rui", MONDAY)
        told = subprocess.run([sys.executable, "-c", another, str(path)], check=True, capture_output=True, text=True)
    assert told.stdout == "1\n"
    with open_store(path) as store:
        assert [one.name for one in people.every(store)] == ["rui"]
