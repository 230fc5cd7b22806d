"""What each column may hold, by one rule: a merge refuses by it what is another's, `check` names by it what is ours.

A file that says it is a store may hold anything, and so may ours: somebody's SQL, a bad disk, an older bug.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import lru_cache
from typing import Any
from zoneinfo import available_timezones

from collector.store.acceptable import FIRST_INSTANT as FIRST
from collector.store.acceptable import LAST_INSTANT as LAST
from collector.store.acceptable import LONGEST, LONGEST_PAYLOAD, day_problem, text_problem
from collector.store.database import LAST_ROW, Store
from collector.store.errors import UnreadableError
from collector.store.instants import EARLIEST, LATEST
from collector.store.json_columns import SHAPES, from_json
from collector.store.namesakes import MOST_LETTERS, is_name
from collector.store.people.loan_states import State, Step
from collector.store.people.page_devices import Role
from collector.store.values import UNITS, Basis, OutcomeKind, can_be_sent

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


def _real(least: float, most: float) -> Rule:
    def problem(value: Any) -> str | None:
        sane = isinstance(value, int | float) and least <= value <= most
        return None if sane else f"{str(value)[:20]} is out of range"

    return Rule(problem, f"typeof({{0}}) IN ('real', 'integer') AND {{0}} BETWEEN {least} AND {most}")


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


def _said(value: Any) -> str | None:
    """Ours alone: of any length and any character."""
    _text(value)
    return None


def _plain(value: Any) -> str | None:
    text = _text(value)
    return text_problem(text) or (
        None if all(char.isprintable() or char == "\n" for char in text) else "is no plain text"
    )


def _name(value: Any) -> str | None:
    return _plain(value) or (None if _text(value).strip() and "\n" not in _text(value) else "is no name")


def _called(value: Any) -> str | None:
    return None if is_name(_text(value)) else "is no name to print"


def _decimal(value: Any) -> str | None:
    number = Decimal(_text(value))  # what a cuff sends may be negative: it is kept, and marked
    return None if can_be_sent(number) else "is no number that a cuff can send"


# Text of printable ASCII alone; length() stops at a NUL, where GLOB stops too.
_ASCII = f"""typeof({{0}}) = 'text' AND {{0}} NOT GLOB '*[^ -~]*' AND length({{0}}) <= {LONGEST}
    AND length({{0}}) = length(CAST({{0}} AS BLOB))"""
_FREE, _PLAIN, _NAME = Rule(_free, _ASCII), Rule(_plain, _ASCII), Rule(_name, f"{_ASCII} AND trim({{0}}) <> ''")
_CALLED = Rule(_called, f"{_ASCII} AND trim({{0}}) <> '' AND length({{0}}) <= {MOST_LETTERS}")
_SAID = Rule(_said, _ASCII)
_DECIMAL = Rule(_decimal, "typeof({0}) = 'text' AND {0} GLOB '[0-9]*' AND {0} NOT GLOB '*[^0-9]*' AND length({0}) < 9")
_UID = Rule(
    lambda value: None if isinstance(value, bytes) and len(value) == 16 else "is no uid",
    "typeof({0}) = 'blob' AND length({0}) = 16",
)
_OCTETS = Rule(
    lambda value: None if isinstance(value, bytes) and len(value) <= LONGEST_PAYLOAD else "is too long, or no octets",
    f"typeof({{0}}) = 'blob' AND length({{0}}) <= {LONGEST_PAYLOAD}",
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
    day = date.fromisoformat(_text(value))
    return day_problem(day) if day.isoformat() == _text(value) else "is no day as it is written there"


_DAY = Rule(_day)
_INSTANT, _FLAG, _SLOT = _between(FIRST, LAST), _between(0, 1), _between(-2, 255)
_WHOLE, _16_BIT = _between(0, 1 << 62), _between(0, 0xFFFF)
_SINCE = _between(-(1 << 62), LAST)  # 0 and less: from the beginning
_EVER = _between(-62_135_596_800_000_000, 253_402_300_799_999_999)  # the years 1 to 9999: a cuff's clock shows any
_NUMBERED = _between(-LAST_ROW, LAST_ROW)
_TAKEN = _between(EARLIEST, LATEST - 1)
_ANY = _between(-(1 << 63), (1 << 63) - 1)
_SPAN_S = _real(0, 1e12)

RULES: dict[str, dict[str, Rule]] = {
    "station": {"uid": _UID},
    "station_zone": {"since": _SINCE, "zone": Rule(_zone)},
    "unsure_clock": {"boot": _NAME, "base": _between(-LAST, LAST), "correction": _between(-2 * LAST, 2 * LAST)},
    "cuff": {"address": _CALLED, "name": _NAME, "name_set_at": _SINCE, "forgotten": _FLAG, "forgotten_set_at": _SINCE,
             "advertised": _FREE},
    "visit": {"uid": _UID, "source": _NAME, "opened_at": _INSTANT, "closed_at": _INSTANT, "outcome": _PLAIN},
    "visit_fact": {"uid": _UID, "kind": _one_of("read", "clock set", "bond", "name", "handles", "records"),
                   "characteristic": _16_BIT, "value": _OCTETS, "at": _INSTANT, "round_trip_us": _WHOLE,
                   "error": _between(0, 255)},
    "payload": {"uid": _UID, "number": _WHOLE, "characteristic": _16_BIT, "value": _OCTETS, "arrived_at": _INSTANT,
                "source": _NAME, "encrypted": _FLAG, "mark": _PLAIN,
                "handle": _16_BIT},
    "erased": {"uid": _UID},
    "thinned": {"uid": _UID, "copy_of": _UID},
    "person": {"uid": _UID, "name": _CALLED, "gone": _FLAG, "changed_at": _INSTANT, "part_of": _UID},
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
"""Of what travels: table, column, rule. Where a column may be empty, an empty one is well."""
_BASIS, _ROLE, _WORDS = _one_of(*Basis), _one_of(*Role), _PLAIN
_OWN: dict[str, dict[str, Rule]] = {
    "station": {"own": _FLAG},
    "cuff": {"bonded": _FLAG, "bond_missing_on": _FREE, "passing": _FLAG},
    "cuff_handle": {"handle": _16_BIT, "characteristic": _16_BIT},
    "cuff_characteristic": {"handle": _16_BIT, "characteristic": _16_BIT, "service": _16_BIT, "properties": _FREE,
                            "configuration": _16_BIT},
    "cuff_manner": {"kind": _NAME, "detail": _FREE, "sure": _FLAG, "since": _INSTANT},
    "cuff_alias": {"address": _CALLED},
    "condition": {"topic": _NAME, "text": _SAID, "since": _INSTANT},
    "accept_window": {"until": _INSTANT},
    "awaited": {"name": _NAME, "until": _INSTANT},
    "pairing": {"address": _CALLED, "until": _INSTANT, "asked_at": _INSTANT, "number": _between(0, 999_999),
                "answer": _between(0, 999_999)},
    "zone": {"name": Rule(_zone)},
    "reading": {"reading_id": _NAME, "slot": _between(0, 255), "systolic": _DECIMAL, "diastolic": _DECIMAL,
                "mean": _DECIMAL, "unit": _one_of(*UNITS), "pulse": _DECIMAL, "taken_at": _TAKEN, "basis": _BASIS,
                "uncertainty_s": _SPAN_S, "received_at": _EVER, "status": _WORDS, "status_raw": _16_BIT,
                "assessed": _WORDS, "stamp": _PLAIN, "stamp_us": _ANY, "clock": _PLAIN, "content": _PLAIN,
                "content_marks": _FREE, "time_marks": _WORDS, "owner_mark": _FREE, "sightings": _WHOLE, "note": _FREE},
    "outcome": {"kind": _one_of(*OutcomeKind), "reason": _SAID},
    "derived": {"latest": _SINCE, "unsettled_from": _SINCE, "redo": _FLAG},
    "retimed": {"reading_id": _NAME, "at": _INSTANT, "before": _EVER, "after": _EVER, "before_basis": _BASIS,
                "after_basis": _BASIS, "before_uncertainty_s": _SPAN_S, "after_uncertainty_s": _SPAN_S},
    "relay_target": {"name": _NAME, "since": _INSTANT, "worked_at": _INSTANT, "failures": _WHOLE, "next_at": _INSTANT,
                     "trouble": _SAID, "batch": _WHOLE, "timeout_s": _SPAN_S, "entered": _OCTETS, "topic": _FREE,
                     "discovery": _FREE},
    "outbox": {"reading_id": _NAME, "version": _WHOLE, "tried": _WHOLE},
    "relay_sent": {"reading_id": _NAME, "digest": _OCTETS, "at": _INSTANT},
    "relay_hold": {"reading_id": _NAME, "reason": _SAID, "since": _INSTANT, "failures": _WHOLE, "next_at": _INSTANT},
    "fetched": {"name": _NAME, "reading_id": _NAME, "digest": _OCTETS},
    "page_invite": {"hash": _OCTETS, "role": _ROLE, "expires_at": _INSTANT, "used_at": _INSTANT},
    "page_device": {"hash": _OCTETS, "role": _ROLE, "name": _FREE, "made_at": _INSTANT, "seen_at": _INSTANT,
                    "ends_at": _INSTANT},
    "page_form": {"key": _FREE, "at": _INSTANT},
    "page_sitting": {"started_at": _INSTANT, "rest_s": _SPAN_S},
    "erasing": {"uid": _UID, "began_at": _INSTANT, "pad": Rule(lambda value: None), "sealed": Rule(lambda value: None)},
}  # fmt: skip
"""Of what stays at its station, in tables that travel as well."""
for _table, _column in SHAPES:
    (RULES if _table in RULES else _OWN)[_table][_column] = _json(_table, _column)


def rule_of(table: str, column: str) -> Rule | None:
    """None for a column of another program."""
    if table not in RULES and table not in _OWN:
        return None
    if column in ("id", "seq"):
        return _NUMBERED
    if (column.endswith("_id") and column != "reading_id") or (table, column) in _ROWS:
        return _ANY  # which row: that it is there SQLite sees
    return RULES.get(table, {}).get(column) or _OWN.get(table, {}).get(column)


def rules_of(store: Store, table: str) -> dict[str, Rule]:
    """By column, in the order of the table; none for a table of another program."""
    columns = [name for _, name, *_ in store.query(f"PRAGMA table_info({table})")]
    return {name: rule for name in columns if (rule := rule_of(table, name))}


_ROWS = {("outcome", "reading")}
_KINDS = {"TEXT": "'text'", "BLOB": "'blob'", "INTEGER": "'integer'", "REAL": "'real', 'integer'"}


def problems(store: Store, table: str, rules: Mapping[str, Rule]) -> Iterator[tuple[int, str, str]]:
    """What in a table is not as it should be: (row, column, what is wrong with it). Where SQL finds all of it sound, no
    row is looked at; a row is SQLite's rowid or, in a table that has none, its place by the key."""
    (sql,) = store.row("SELECT sql FROM sqlite_schema WHERE type = 'table' AND name = ?", (table,)) or ("",)
    row = "row_number() OVER ()" if "WITHOUT ROWID" in sql else "rowid"
    declared = {name: (kind, needed) for _, name, kind, needed, *_ in store.query(f"PRAGMA table_info({table})")}
    sound, asked = [], []
    for name, rule in rules.items():
        kind, needed = declared[name]
        fits = f"typeof({name}) IN ({_KINDS[kind]}) AND {rule.sound.format(name)}"
        sound.append(f"({fits})" if needed else f"({name} IS NULL OR {fits})")
        asked += [f"typeof({name}) IN ({_KINDS[kind]})", f"CAST({name} AS BLOB)" if kind == "TEXT" else name]
    query = f"SELECT place, {', '.join(asked)} FROM (SELECT {row} AS place, * FROM {table})"
    for place, *cells in store.query(f"{query} WHERE NOT ({' AND '.join(sound)})"):
        for (name, rule), fits, value in zip(rules.items(), cells[::2], cells[1::2], strict=True):
            if value is None:
                problem = "is empty" if declared[name][1] else None
            else:
                problem = _checked(rule, value) if fits else "is of another kind than it should be"
            if problem:
                yield place, name, problem


def _checked(rule: Rule, value: Any) -> str | None:
    try:
        return rule.problem(value)
    except (ArithmeticError, ValueError, RecursionError, TypeError):
        return "cannot be read"
