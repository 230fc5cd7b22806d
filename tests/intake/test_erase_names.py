"""No payload names anybody; an interrupted erase is finished and proved; a loan's unsure readings go too."""

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from collector import intake
from collector.intake.sources import own_export
from collector.store import StoreError, audit, journal, open_store, people, readings
from collector.store.migrations import m010_erasing
from collector.store.people import erase, erase_preview, loans, slot_spans, traces
from collector.store.people.loan_states import State
from collector.store.readings import claims
from parsers.measurement import build_measurement, measurement

NOON = datetime(2031, 3, 4, 12, 0, tzinfo=UTC)
NAME, NEW_NAME, OTHER = "Mira Felsgast", "Mira Ungestalt", "Jon Wetterau"


def cells(path: Path) -> Iterator[tuple[str, str]]:
    """Every cell of every table, as text; payloads and what is in hex also as what it says."""
    connection = sqlite3.connect(path)
    for (table,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall():
        for row in connection.execute(f"SELECT * FROM {table}"):
            for cell in row:
                text = cell.decode("utf-8", "replace") if isinstance(cell, bytes) else str(cell)
                yield table, text
                if '"payload": "' in text:
                    yield table, bytes.fromhex(json.loads(text)["payload"]).decode("utf-8", "replace")
    connection.close()


def naming(path: Path, *names: str) -> list[tuple[str, str]]:
    return [(table, text) for table, text in cells(path) if any(name in text for name in names)]


def write_by_hand(store: Any, person: str, minute: int = 0) -> str:
    row = intake.HandRow(NOON + timedelta(minutes=minute), Decimal(131), Decimal(82), Decimal(64), person)
    added = journal.append(store, cuff="hand", characteristic=0, value=row.build(), arrived_at=NOON, source="hand")
    outcome = intake.interpret(store, added.payload)
    assert outcome.reading_id
    claims.claim(store, outcome.reading_id, person, NOON)
    intake.reassign(store)
    return outcome.reading_id


def test_a_written_reading_names_nobody(bench: Any) -> None:
    store = bench.store
    people.add(store, NAME, NOON)
    one = write_by_hand(store, NAME)
    assert NAME not in bytes.fromhex(readings.get(store, one).payload).decode()


def test_a_reading_that_was_passed_on_keeps_no_name_of_who_wrote_it(bench: Any) -> None:
    store = bench.store
    for name in (NAME, OTHER):
        people.add(store, name, NOON)
    passed, freed, _ = (write_by_hand(store, NAME, minute) for minute in range(3))
    people.rename(store, NAME, NEW_NAME, NOON)
    claims.claim(store, passed, OTHER, NOON)
    claims.release(store, freed, NOON)
    intake.reassign(store)
    erased = intake.erase_person(store, NEW_NAME)
    assert (erased.erasure.readings, erased.left, erased.naming) == (1, (), ())
    assert naming(store.path, NAME, NEW_NAME) == []
    (told,) = audit.about_reading(store, passed)
    assert told.detail == {"reading": passed, "from": None, "to": OTHER}, "the rest of the line stays"


def test_an_imported_reading_names_nobody(bench: Any, make_bench: Any) -> None:
    people.add(bench.store, NAME, NOON)
    one = readings.get(bench.store, write_by_hand(bench.store, NAME))
    old = json.dumps({"taken_at": NOON.isoformat(), "systolic": "131", "diastolic": "82", "pulse": "64",
                      "person": NAME, "note": None}).encode()  # fmt: skip
    for reading in (one, replace(one, payload=old.hex())):
        built = own_export.build(reading)
        assert NAME not in built.decode()
        assert NAME not in bytes.fromhex(json.loads(built)["payload"]).decode()


def test_a_store_of_an_older_quietcuff_is_freed_of_names(bench: Any, tmp_path: Path) -> None:
    store, path = bench.store, bench.store.path
    people.add(store, NAME, NOON)
    write_by_hand(store, NAME)
    store.query("DROP TRIGGER payload_never_changes")
    store.query("UPDATE payload SET value = CAST(json_set(CAST(value AS TEXT), '$.person', ?) AS BLOB)", (NAME,))
    assert "payload" in [table for table, _ in naming(path, NAME)]
    store.query("""CREATE TRIGGER payload_never_changes BEFORE UPDATE ON payload
        BEGIN SELECT RAISE(ABORT, 'a payload is never changed'); END""")
    store.query("DROP TABLE erasing")
    store.query("DELETE FROM _sqlite_migrations WHERE name LIKE '010%'")
    store.query("PRAGMA user_version=9")
    store.close()
    with open_store(path) as again:
        assert [table for table, _ in naming(path, NAME)] == ["person", "audit", "audit"]
        assert intake.rebuild(again) == 1
        (reading,) = readings.select(again)
        assert reading.person == NAME
        assert NAME not in bytes.fromhex(reading.payload).decode()
        with pytest.raises(sqlite3.IntegrityError, match="never changed"):
            again.connection.execute("UPDATE payload SET value = x'00'")


def test_an_interrupted_erase_is_finished_by_whoever_comes_next_with_its_proof(
    bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = bench.store
    people.add(store, NAME, NOON)
    write_by_hand(store, NAME)
    with monkeypatch.context() as cut:
        cut.setattr(traces, "purge", lambda _: (_ for _ in ()).throw(StoreError("no power", "other")))
        with pytest.raises(StoreError, match="the next command finishes it"):
            intake.erase_person(store, NAME)
    assert people.find(store, NAME) is None
    ((_, waiting),) = erase.pending(store)
    assert (waiting.person, waiting.readings) == (NAME, 1)
    assert naming(store.path, NAME) == [], "what is written down of it is no trace"
    (done,) = intake.finish_erasing(store)
    assert (done.erasure, done.left, done.naming) == (waiting, (), ())
    assert waiting.traces
    assert not erase.pending(store)
    assert not intake.finish_erasing(store)


def test_a_reader_in_the_way_is_said_and_the_erase_stays_written_down(bench: Any) -> None:
    store = bench.store
    people.add(store, NAME, NOON)
    write_by_hand(store, NAME)
    reader = sqlite3.connect(store.path)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM payload").fetchone()
    store.query("PRAGMA busy_timeout=50")
    with pytest.raises(StoreError, match="the next command finishes it"):
        intake.erase_person(store, NAME)
    reader.close()
    (done,) = intake.finish_erasing(store)
    assert (done.erasure.readings, done.left) == (1, ())


def test_counts_are_right_before_and_after(bench: Any) -> None:
    store = bench.store
    people.add(store, NAME, NOON)
    for minute in range(5):
        write_by_hand(store, NAME, minute)
    assert [one.readings for one in people.every(store) if one.name == NAME] == [5]
    assert (erase_preview.preview(store, NAME).readings, erase_preview.preview(store, NAME).payloads) == (5, 5)
    assert intake.erase_person(store, NAME).erasure.payloads == 5


def test_what_a_loan_set_aside_goes_with_the_borrower(bench: Any) -> None:
    store = bench.store
    visit = bench.visit(NOON)
    bench.end(visit, NOON)
    loans.set_state(store, bench.cuff, State.AVAILABLE, NOON)
    loans.lend(store, bench.cuff, "A-7", ("any",), NOON)
    visit = bench.visit(NOON + timedelta(days=3))
    value = build_measurement(measurement(133, 84, stamp=datetime(2031, 3, 5, 8, 0)))
    bench.bring(value, NOON + timedelta(days=3), visit)
    bench.end(visit, NOON + timedelta(days=3))
    intake.reassign(store)
    (reading,) = readings.select(store)
    assert (reading.person, "owner unsure" in reading.marks) == (None, True)
    going = erase_preview.preview(store, "A-7")
    assert (going.readings, going.unsure) == (0, 1)
    erased = intake.erase_person(store, "A-7")
    assert (erased.erasure.unsure, erased.erasure.payloads, erased.left) == (1, 1, ())
    assert readings.count(store) == 0
    assert slot_spans.every(store) == []


def test_merging_an_older_store_leaves_no_copy_of_it(bench: Any, tmp_path: Path) -> None:
    import gzip

    other = tmp_path / "stick" / "old.db"
    other.parent.mkdir()
    kept = Path(__file__).parents[2] / "fixtures/stores/schema-4.sqlite3.gz"
    other.write_bytes(gzip.decompress(kept.read_bytes()))
    before = other.read_bytes()
    intake.merge(bench.store, other)
    assert readings.count(bench.store) > 0
    assert [path.name for path in other.parent.rglob("*")] == ["old.db"]
    assert other.read_bytes() == before


@pytest.mark.parametrize("detail", ["{}", '{"from": 5}', '{"from": null, "to": {}}', '{"device": []}'])
def test_a_line_of_the_history_that_tells_no_name_stops_no_erase(bench: Any, detail: str) -> None:
    store = bench.store
    people.add(store, NAME, NOON)
    people.rename(store, NAME, NEW_NAME, NOON)
    store.query("UPDATE audit SET detail = ?", (detail,))
    store.query("INSERT INTO audit SELECT NULL, randomblob(16), at, 'page device added', detail, person_id FROM audit")
    assert intake.erase_person(store, NEW_NAME).left == ()
    assert people.find(store, NEW_NAME) is None


def test_a_payload_that_loses_its_name_is_the_one_that_is_written_today() -> None:
    """Else the same line, imported once more, would be another reading."""
    today = intake.HandRow(NOON, Decimal(131), Decimal(82), Decimal(64), note="müde").build()
    named = json.dumps({**json.loads(today), "person": NAME}, ensure_ascii=False, sort_keys=True).encode()
    assert m010_erasing._without_names(named) == today
    exported = json.dumps({"note": "müde", "payload": today.hex()}, sort_keys=True).encode()
    named = json.dumps({"note": "müde", "payload": named.hex(), "person": NAME}, sort_keys=True).encode()
    assert m010_erasing._without_names(named) == exported
