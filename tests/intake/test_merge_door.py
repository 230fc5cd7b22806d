"""What of another's store may come in: whatever is wrong, nothing of it is taken, and neither store changed."""

import hashlib
import os
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector import intake
from collector.store import StoreError, column_rules, journal, people, readings
from collector.store.acceptable import LONGEST, text_problem
from collector.store.merge import foreign_check, foreign_people
from collector.store.opening import open_store
from collector.store.people import notes, slot_spans
from parsers.measurement import build_measurement, measurement

NOON = datetime(2031, 3, 4, 12, 0, tzinfo=UTC)

ATTACKS = {
    "zone": "UPDATE station_zone SET zone = 'Mars/Olympus'",
    "zone out of its folder": "UPDATE station_zone SET zone = '../../etc/passwd'",
    "arrival": "DROP TRIGGER payload_never_changes; UPDATE payload SET arrived_at = 9223372036854775807",
    "visit": "UPDATE visit SET opened_at = -9223372036854775807",
    "name": "UPDATE person SET name = CAST(x'ff41' AS TEXT)",
    "empty name": "UPDATE person SET name = ' '",
    "name of control characters": "UPDATE person SET name = 'a' || char(27) || '[2J'",
    "changed": "UPDATE person SET changed_at = 9223372036854775807",
    "slot": "UPDATE span SET slot = 1180591620",
    "slot -3": "UPDATE span SET slot = -3",
    "span": "UPDATE span SET since = 9000000000000000000",
    "audit": "UPDATE audit SET detail = 'no json'",
    "audit deep": "UPDATE audit SET detail = replace(hex(zeroblob(3000)), '00', '[')",
    "audit list": "UPDATE audit SET detail = '[]'",
    "note day": "UPDATE note SET day = '2031-02-30'",
    "note text": "UPDATE note SET text = CAST(x'c328' AS TEXT)",
    "office visit": "INSERT INTO office_visit (uid, person_id, day, readings, changed_at) SELECT randomblob(16), id, "
    "'2031-03-04', '{', 1 FROM person",
    **{
        f"{table}.{column} {said}": f"INSERT INTO {table} (uid, person_id, changed_at, {others}, {column}) "
        f"SELECT randomblob(16), person.id, 1, {values}, '{said}' FROM person, cuff LIMIT 1"
        for table, column, others, values, wrong in (
            (
                "office_visit",
                "readings",
                "day",
                "'2031-03-04'",
                ('[["NaN", "x"]]', '["120/80"]', "[[]]", "[[120, 80]]"),
            ),
            ("office_visit", "readings", "day", "'2031-03-04'", ('[["-5", "80"]]', '[["1e999", "80"]]', "{}")),
            ("sitting", "readings", "started_at, prepared", "1, '[]'", ("[{}]", '[["a"]]', "[1]")),
            ("sitting", "prepared", "started_at, readings", "1, '[]'", ("[{}]", "[null]")),
            ("loan", "slots", "cuff_id, out_at, step, checks", "cuff.id, 1, 'out', '{}'", ('["x"]', "[99999]", "[-7]")),
            ("loan", "checks", "cuff_id, out_at, step, slots", "cuff.id, 1, 'out', '[]'", ("[]", "5")),
        )
        for said in wrong
    },
    "reference": "PRAGMA foreign_keys=OFF; UPDATE span SET person_id = 77",
    "uid": "UPDATE station SET uid = x'00'",
    "circle": "INSERT INTO person (uid, name, changed_at) SELECT randomblob(16), 'x' || value, 1 FROM "
    "json_each('[1,2,3]'); UPDATE person SET part_of = (SELECT uid FROM person AS o WHERE o.id = person.id % 4 + 1)",
    "view": "CREATE VIEW strange AS SELECT * FROM person",
    "view for a table": "DROP TABLE erasing; CREATE VIEW erasing AS SELECT 1 AS uid",
    "trigger": "CREATE TRIGGER strange AFTER INSERT ON person BEGIN DELETE FROM person; END",
    "virtual table": "CREATE VIRTUAL TABLE strange USING fts5(text)",
    "other table": "CREATE TABLE strange (a)",
    "no table": "DROP TABLE note",
    "no column": "ALTER TABLE strike RENAME COLUMN mark TO strange",
}


def state(path: Path) -> list[str]:
    connection = sqlite3.connect(path)
    lines = list(connection.iterdump())
    connection.close()
    return lines


def fill(bench: Any, cuff: str) -> None:
    bench.cuff = cuff
    person = f"p-{cuff[-1]}"
    people.add(bench.store, person, NOON)
    visit = bench.visit(NOON, NOON.replace(tzinfo=None))
    bench.bring(build_measurement(measurement(131, 82, stamp=NOON.replace(tzinfo=None), user_id=1)), NOON, visit)
    bench.end(visit, NOON)
    slot_spans.add(bench.store, person, cuff, 1, NOON)
    notes.add(bench.store, person, NOON.date(), "began walking", notes.OTHER, NOON)
    intake.reassign(bench.store)


@pytest.mark.parametrize("attack", ATTACKS)
def test_nothing_of_such_a_store_is_taken(attack: str, make_bench: Any) -> None:
    ours, theirs = make_bench(), make_bench()
    fill(ours, "F0:00:00:00:00:01")
    fill(theirs, "F0:00:00:00:00:02")
    path = theirs.store.path
    theirs.store.close()
    other = sqlite3.connect(path)
    other.execute("PRAGMA ignore_check_constraints=ON")
    other.executescript(ATTACKS[attack])
    other.commit()
    other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    other.close()
    before, digest = state(ours.store.path), hashlib.sha256(path.read_bytes()).digest()
    with pytest.raises(StoreError, match=r"nothing of it was taken|no quietcuff makes") as refused:
        intake.merge(ours.store, path)
    assert str(path) in str(refused.value)
    assert state(ours.store.path) == before
    assert hashlib.sha256(path.read_bytes()).digest() == digest
    assert sorted(p.name for p in path.parent.iterdir()) == ["store.db", "store.db.writers"]
    assert readings.count(ours.store) == 1


def test_what_is_wrong_in_a_foreign_store_is_named_by_table_row_and_column(make_bench: Any) -> None:
    theirs = make_bench()
    fill(theirs, "F0:00:00:00:00:02")
    theirs.store.query("UPDATE note SET day = 'some day'")
    with pytest.raises(StoreError, match=r"theirs\.db: note row 1: day "):
        foreign_check.refuse_unless_acceptable(theirs.store, Path("theirs.db"))


def test_the_longest_payload_comes_in_and_one_octet_more_does_not() -> None:
    value = column_rules.RULES["payload"]["value"].problem
    assert value(bytes(column_rules.LONGEST_PAYLOAD)) is None
    assert value(bytes(column_rules.LONGEST_PAYLOAD + 1))
    assert value("text")


def test_the_longest_text_comes_in_and_one_character_more_does_not() -> None:
    assert text_problem("ä" * LONGEST) is None
    assert text_problem("ä" * (LONGEST + 1)) == f"has more than {LONGEST} characters"


def test_every_column_that_people_change_and_a_merge_brings_has_its_rule() -> None:
    for table in foreign_people.TABLES:
        assert {table.key, "changed_at", *table.columns} <= column_rules.RULES[table.name].keys()


OCTETS = st.binary(max_size=24) | st.sampled_from(
    (b"read", b"read\0", b" ", b"a\xc3\xa4", b"a\xff", b"\x7f", b"[]", b"x" * 4001)
)
VALUES = st.integers(-(1 << 63), (1 << 63) - 1) | st.integers(-3, 300) | st.floats(allow_nan=False) | OCTETS


@given(VALUES, st.booleans())
@settings(max_examples=500)
def test_what_is_sound_by_sql_alone_is_sound_by_every_rule(value: Any, text: bool) -> None:
    """Text reaches a rule as its octets, whatever they are."""
    sql = "CAST(?1 AS TEXT)" if text and isinstance(value, bytes) else "?1"
    rules = [rule for columns in column_rules.RULES.values() for rule in columns.values()]
    sound = ", ".join(rule.sound.format(sql) for rule in rules)
    with closing(sqlite3.connect(":memory:")) as database:
        (found,) = database.execute(f"SELECT {sound}", (value,)).fetchall()
    for rule, said in zip(rules, found, strict=True):
        assert not said or rule.problem(value) is None, (rule.sound, value)


def test_what_is_no_file_is_not_waited_for(make_bench: Any, tmp_path: Path) -> None:
    bench = make_bench()
    os.mkfifo(tmp_path / "pipe.db")
    for wrong in (tmp_path / "pipe.db", tmp_path):
        with pytest.raises(StoreError, match="no file"):
            intake.merge(bench.store, wrong)


def test_a_schema_whose_names_are_no_text_is_damage(make_bench: Any, tmp_path: Path) -> None:
    bench = make_bench()
    fill(bench, "C0:FF:EE:00:00:0A")
    with closing(sqlite3.connect(bench.store.path)) as database:
        database.executescript(
            "PRAGMA writable_schema=ON; UPDATE sqlite_schema SET name = CAST(x'6eff' AS TEXT), "
            "sql = 'CREATE TABLE' WHERE name = 'note'"
        )
    for attempt in (open_store, lambda path: intake.merge(make_bench().store, path)):
        with pytest.raises(StoreError, match="damaged"):
            attempt(bench.store.path)


def test_a_sound_store_comes_in_and_is_not_touched(make_bench: Any) -> None:
    ours, theirs = make_bench(), make_bench()
    fill(ours, "F0:00:00:00:00:01")
    fill(theirs, "F0:00:00:00:00:02")
    path = theirs.store.path
    theirs.store.close()
    digest = hashlib.sha256(path.read_bytes()).digest()
    brought = intake.merge(ours.store, path)
    assert (brought.payloads, brought.known, brought.erased) == (1, 0, 0)
    assert readings.count(ours.store) == 2
    assert hashlib.sha256(path.read_bytes()).digest() == digest
    assert journal.counts(ours.store).payloads == 2


def test_what_people_wrote_in_any_letters_comes_in(make_bench: Any) -> None:
    """Our own doors let in a soft hyphen, or an escape: a store that holds one can be merged all the same."""
    ours, theirs = make_bench(), make_bench()
    fill(theirs, "F0:00:00:00:00:02")
    written = "well\u00adbeing \u202eleft \x1b[2J"
    notes.add(theirs.store, "p-2", NOON.date(), written, notes.OTHER, NOON)
    theirs.store.query("INSERT INTO cuff_state SELECT id, 'retired', ?, 1 FROM cuff LIMIT 1", (written,))
    theirs.store.close()
    assert intake.merge(ours.store, theirs.store.path).payloads == 1
    assert written in [note.text for note in notes.every(ours.store, "p-2")]
