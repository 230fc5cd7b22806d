"""What of another's store may come in: every column that travels, by one rule, before anything is taken.

A file that says it is a store may hold anything. Refused whole, with table, row and reason: nothing of it is taken.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

from collector.store.database import Store
from collector.store.errors import RefusedByStore, StoreError, UnreadableError
from collector.store.json_columns import SHAPES, from_json
from collector.store.people.loan_states import State, Step
from collector.store.readings.acceptable import FIRST_INSTANT as FIRST
from collector.store.readings.acceptable import LAST_INSTANT as LAST
from collector.store.readings.acceptable import LONGEST, text_problem

SHOWN = 3
_LONGEST_PAYLOAD = 65_536  # octets; a measurement has at most some fifty, an imported reading some thousand
_DEEPEST = 4  # levels of JSON; what is written here has two


@dataclass(frozen=True, slots=True)
class Rule:
    """problem: what is wrong with a value; None where nothing is.

    sound: SQL that holds of none but sound values, {0} for the column. Where it holds of a whole table, as it nearly
    always does of payloads, no row of it is looked at here.
    """

    problem: Callable[[Any], str | None]
    sound: str = "false"


def _between(least: int, most: int) -> Rule:
    def problem(value: Any) -> str | None:
        return None if isinstance(value, int) and least <= value <= most else f"{str(value)[:20]} is out of range"

    return Rule(problem, f"typeof({{0}}) = 'integer' AND {{0}} BETWEEN {least} AND {most}")


def _one_of(*words: str) -> Rule:
    listed = "', '".join(words)
    return Rule(
        lambda value: None if _text(value) in words else "is not a word that is used there",
        f"typeof({{0}}) = 'text' AND {{0}} IN ('{listed}')",
    )


def _text(value: Any) -> str:
    """Raises ValueError for octets that are no UTF-8, TypeError for what is no text at all."""
    if not isinstance(value, bytes):
        raise TypeError
    return value.decode()


def _free(value: Any) -> str | None:
    """What people write: our own doors let in any character, and whatever shows it makes it harmless."""
    return text_problem(_text(value))


def _plain(value: Any) -> str | None:
    text = _text(value)
    return text_problem(text) or (
        None if all(char.isprintable() or char == "\n" for char in text) else "is no plain text"
    )


def _name(value: Any) -> str | None:
    return _plain(value) or (None if _text(value).strip() and "\n" not in _text(value) else "is no name")


# Text of printable ASCII alone; length() stops at a NUL, where GLOB stops too.
_ASCII = f"""typeof({{0}}) = 'text' AND {{0}} NOT GLOB '*[^ -~]*' AND length({{0}}) <= {LONGEST}
    AND length({{0}}) = length(CAST({{0}} AS BLOB))"""
_FREE, _PLAIN, _NAME = Rule(_free, _ASCII), Rule(_plain, _ASCII), Rule(_name, f"{_ASCII} AND trim({{0}}) <> ''")
_UID = Rule(
    lambda value: None if isinstance(value, bytes) and len(value) == 16 else "is no uid",
    "typeof({0}) = 'blob' AND length({0}) = 16",
)
_OCTETS = Rule(
    lambda value: None if isinstance(value, bytes) and len(value) <= _LONGEST_PAYLOAD else "is too long, or no octets",
    f"typeof({{0}}) = 'blob' AND length({{0}}) <= {_LONGEST_PAYLOAD}",
)


def _json(table: str, column: str) -> Rule:
    def problem(value: Any) -> str | None:
        try:
            deep = _depth(from_json(table, column, _text(value))) > _DEEPEST
        except UnreadableError:
            deep = True
        return "is not the JSON that is used there" if deep else None

    return Rule(problem)


def _depth(said: Any) -> int:
    inner = said.values() if isinstance(said, dict) else said if isinstance(said, list) else ()
    return 1 + max(map(_depth, inner), default=0)


@lru_cache(maxsize=1)
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def _zone(value: Any) -> str | None:
    return None if _text(value) in _zones() else f"'{_text(value)[:40]}' is no zone of the world"


def _day(value: Any) -> str | None:
    datetime.strptime(_text(value), "%Y-%m-%d").replace(tzinfo=UTC)
    return None


_DAY = Rule(_day)
_INSTANT, _FLAG, _SLOT = _between(FIRST, LAST), _between(0, 1), _between(-2, 255)
_WHOLE, _16_BIT = _between(0, 1 << 62), _between(0, 0xFFFF)
_SINCE = _between(-(1 << 62), LAST)  # 0 and less: from the beginning

RULES: dict[str, dict[str, Rule]] = {
    "station": {"uid": _UID},
    "station_zone": {"since": _SINCE, "zone": Rule(_zone)},
    "unsure_clock": {"boot": _NAME, "base": _between(-LAST, LAST), "correction": _between(-2 * LAST, 2 * LAST)},
    "cuff": {"address": _NAME, "name": _NAME, "name_set_at": _SINCE, "forgotten": _FLAG, "forgotten_set_at": _SINCE,
             "advertised": _FREE},
    "visit": {"uid": _UID, "source": _NAME, "opened_at": _INSTANT, "closed_at": _INSTANT, "outcome": _PLAIN},
    "visit_fact": {"uid": _UID, "kind": _one_of("read", "clock set", "bond", "name", "handles", "records"),
                   "characteristic": _16_BIT, "value": _OCTETS, "at": _INSTANT, "round_trip_us": _WHOLE,
                   "error": _between(0, 255)},
    "payload": {"uid": _UID, "number": _WHOLE, "characteristic": _16_BIT, "value": _OCTETS, "arrived_at": _INSTANT,
                "source": _NAME, "encrypted": _FLAG, "mark": _PLAIN,
                "handle": _16_BIT},
    "erased": {"uid": _UID},
    "person": {"uid": _UID, "name": _NAME, "gone": _FLAG, "changed_at": _INSTANT, "part_of": _UID},
    "span": {"uid": _UID, "slot": _SLOT, "since": _INSTANT, "until": _INSTANT, "strict": _FLAG, "gone": _FLAG,
             "changed_at": _INSTANT},
    "claim": {"uid": _UID, "payload_uid": _UID, "holds": _FLAG, "changed_at": _INSTANT},
    "strike": {"uid": _UID, "payload_uid": _UID, "mark": _NAME, "holds": _FLAG, "changed_at": _INSTANT},
    "note": {"uid": _UID, "kind": _NAME, "day": _DAY, "text": _FREE, "gone": _FLAG,
             "changed_at": _INSTANT},
    "office_visit": {"uid": _UID, "day": _DAY, "gone": _FLAG,
                     "changed_at": _INSTANT},
    "sitting": {"uid": _UID, "started_at": _INSTANT, "gone": _FLAG,
                "changed_at": _INSTANT},
    "loan": {"uid": _UID, "out_at": _INSTANT, "back_at": _INSTANT,
             "step": _one_of(*Step), "gone": _FLAG, "changed_at": _INSTANT},
    "cuff_state": {"state": _one_of(*State), "reason": _FREE, "changed_at": _INSTANT},
    "audit": {"uid": _UID, "at": _INSTANT, "what": _NAME},
}  # fmt: skip
"""Table, column, rule. Where a column may be empty, an empty one is well. References are what SQLite looks after."""
for _table, _column in SHAPES:
    if _table in RULES:
        RULES[_table][_column] = _json(_table, _column)


def refuse_unless_acceptable(store: Store, shown_as: Path) -> None:
    """Raises StoreError with the first things that are wrong in a store opened as it is, of the present schema."""
    if (finding := store.scalar("PRAGMA quick_check(1)")) != "ok":
        raise StoreError(f"{shown_as}: damaged ({str(finding).splitlines()[-1]}): nothing of it was taken", "damaged")
    found = list(islice(_problems(store), SHOWN))
    if found:
        raise RefusedByStore(f"{shown_as}: {'; '.join(found)}: nothing of it was taken")


def refuse_strange_schema(store: Store, known: frozenset[tuple[str, str]]) -> None:
    """Raises StoreError for views, virtual tables, triggers and whatever else no quietcuff makes."""
    for kind, name, sql in store.query("SELECT type, name, CAST(coalesce(sql, '') AS BLOB) FROM sqlite_schema"):
        ours = (kind, name) in known or name.startswith(("sqlite_autoindex_", "sqlite_stat"))
        if not ours or b"virtual" in sql.lower().split()[:3]:
            raise RefusedByStore(f"{store.path}: holds the {kind} '{name[:40]}', which no quietcuff makes")


def _problems(store: Store) -> Iterator[str]:
    for table, row, parent, _ in store.query("PRAGMA foreign_key_check"):
        yield f"{table} row {row} refers to a {parent} that is not there"
    declared = {
        table: {name: kind for _, name, kind, *_ in store.query(f"PRAGMA table_info({table})")} for table in RULES
    }
    for table, rules in RULES.items():
        sound = " AND ".join(f"({name} IS NULL OR {rule.sound.format(name)})" for name, rule in rules.items())
        if not store.scalar(f"SELECT EXISTS (SELECT 1 FROM {table} WHERE NOT ({sound}))"):
            continue
        columns = ", ".join(f"CAST({name} AS BLOB)" if declared[table][name] == "TEXT" else name for name in rules)
        for number, row in enumerate(store.query(f"SELECT {columns} FROM {table}"), 1):
            for (name, rule), value in zip(rules.items(), row, strict=True):
                if value is not None and (problem := _checked(rule, value)):
                    yield f"{table} row {number}: {name} {problem}"
    yield from _circles(store)


def _checked(rule: Rule, value: Any) -> str | None:
    try:
        return rule.problem(value)
    except (ValueError, RecursionError, TypeError):
        return "cannot be read"


def _circles(store: Store) -> Iterator[str]:
    """People who are part of each other in a ring of three or more; of two the store knows what to do."""
    part_of = dict(store.query("SELECT uid, part_of FROM person WHERE part_of IS NOT NULL").fetchall())
    for start in part_of:
        at, steps = start, 0
        while at in part_of and steps <= len(part_of):
            at, steps = part_of[at], steps + 1
        if steps > len(part_of) > 2:
            yield "people are part of each other in a circle"
            return


_ONCE = {("trigger", "outbox_renamed")}  # of schemas 4 and 5


def known_schema(store: Store) -> frozenset[tuple[str, str]]:
    """What a store of ours is made of, now or in an older quietcuff."""
    return frozenset(store.query("SELECT type, name FROM sqlite_schema").fetchall()) | _ONCE
