"""Visits of cuffs, and what was learned in them besides records: all as it came."""

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from collector.store.database import Store, new_uid
from collector.store.instants import SECOND, from_us, optional_us, to_us
from collector.store.journal import cuffs, derivation, payloads, visit_facts


@dataclass(frozen=True, slots=True)
class Visit:
    number: int
    cuff: str
    source: str
    opened_at: datetime
    closed_at: datetime | None
    outcome: str | None
    payloads: int
    whole: bool  # the cuff sent all it had


def open_visit(store: Store, cuff: str, source: str, at: datetime) -> int:
    """Returns the visit's number, which all else refers to. A forgotten cuff that is visited again is
    remembered."""
    with store.transaction():
        cuffs.remember(store, cuff, at)
        made = store.query(
            "INSERT INTO visit (uid, station_id, cuff_id, source, opened_at, clock_id) VALUES (?, ?, ?, ?, ?, ?)",
            (new_uid(), store.own_station, cuffs.row_of(store, cuff), source, to_us(at), store.clock_id),
        )
        assert made.lastrowid is not None
        return made.lastrowid


def past_visit(store: Store, cuff: str, station: int, at: datetime) -> int:
    """A visit that another record tells of, long over. Call inside a transaction."""
    made = store.query(
        """INSERT INTO visit (uid, station_id, cuff_id, source, opened_at, closed_at, outcome) VALUES
            (?1, ?2, ?3, 'import', ?4, ?4, 'imported')""",
        (new_uid(), station, cuffs.row_of(store, cuff), to_us(at)),
    )
    assert made.lastrowid is not None
    return made.lastrowid


def close_visit(store: Store, visit: int, at: datetime, outcome: str) -> None:
    with store.transaction():
        ((cuff_id, opened_at),) = store.query(
            "UPDATE visit SET closed_at = ?, outcome = ? WHERE id = ? RETURNING cuff_id, opened_at",
            (to_us(at), outcome, visit),
        ).fetchall()
        derivation.note_unsettled(store, cuff_id, opened_at)  # whether it was whole bears on what came beside it


def close_open(store: Store, at: datetime) -> int:
    """Close this station's visits that a crash left open; returns how many. Call when the listener starts."""
    with store.transaction():
        return store.query(
            "UPDATE visit SET closed_at = ?, outcome = 'listener stopped' WHERE closed_at IS NULL AND station_id = ?",
            (to_us(at), store.own_station),
        ).rowcount


def learn_value(
    store: Store, visit: int, characteristic: int, value: bytes, at: datetime, round_trip_s: float = 0.0
) -> None:
    """A value read from the cuff: its clock, features, device information, battery. `at`: our clock at that
    instant."""
    _learn(store, visit, "read", characteristic, value, at, round(round_trip_s * SECOND), None)


def learn_clock_set(
    store: Store, visit: int, characteristic: int, value: bytes, at: datetime, error: int | None = None
) -> None:
    """The cuff's clock was written. error: ATT code of a refusal; 0x80 is success with reservations."""
    _learn(store, visit, "clock set", characteristic, value, at, 0, error)


def learn_handles(store: Store, visit: int, handles: Mapping[int, int], at: datetime) -> None:
    """Where the measurement characteristics are: value handle to 16-bit UUID. Replaces what was known."""
    with store.transaction():
        cuff = store.scalar("SELECT cuff_id FROM visit WHERE id = ?", (visit,))
        if cuffs.handles_of(store, cuff) == dict(handles):
            return
        store.query("DELETE FROM cuff_handle WHERE cuff_id = ?", (cuff,))
        for handle, characteristic in handles.items():
            store.query("INSERT INTO cuff_handle VALUES (?, ?, ?)", (cuff, handle, characteristic))
        text = json.dumps({str(handle): uuid for handle, uuid in sorted(handles.items())})
        _learn(store, visit, "handles", None, text.encode(), at, 0, None)
        if payloads.has_unplaced(store, cuff):
            derivation.note_redo(store, cuff)


_RECORD = 0x2B36  # Blood Pressure Record; its segments begin with a header, bit 0 on a record's first, and the number


def learn_fetched(
    store: Store, visit: int, user: int | None, since: datetime, first: bytes | None, *, whole: bool
) -> None:
    """Stored records of a user came since then: note the newest one up to which all are here, unless one is damaged.

    whole: all of them came. Else they count in the order they came as long as that is the order of their numbers, save
    the last, which may be cut short; first: what they have to begin with.
    """
    with store.transaction():
        rows = store.query(
            """SELECT value, kind FROM payload LEFT JOIN outcome ON payload_id = payload.id
               WHERE visit_id = ? AND characteristic = ? AND arrived_at >= ? ORDER BY payload.id""",
            (visit, _RECORD, to_us(since)),
        ).fetchall()
        firsts = [value for value, _ in rows if len(value) >= 3 and value[0] & 1]
        if not whole:
            firsts = _in_order(firsts)[:-1] if first is None or firsts[:1] == [first] else []
        if not firsts or any(kind == "undecodable" for _, kind in rows):
            return
        text = json.dumps({"user": user, "newest": max(firsts, key=_number).hex()})
        _learn(store, visit, "records", None, text.encode(), since, 0, None)


def _number(segment: bytes) -> int:
    return int.from_bytes(segment[1:3], "little")


def _in_order(firsts: list[bytes]) -> list[bytes]:
    """As many as come by ascending number."""
    descent = (at for at, (one, next_one) in enumerate(pairwise(firsts)) if _number(next_one) <= _number(one))
    return firsts[: next(descent, len(firsts)) + 1]


def newest_records(store: Store, cuff: str) -> dict[int | None, bytes]:
    """By user: the first segment of the newest stored record of a cuff, where every older one is here as well."""
    rows = store.query(
        """SELECT value FROM visit_fact WHERE kind = 'records'
           AND cuff_id = (SELECT id FROM cuff WHERE address = ?) ORDER BY at""",
        (cuff,),
    )
    found: dict[int | None, bytes] = {}
    for (value,) in rows:
        with suppress(ValueError, TypeError, KeyError):
            told = visit_facts.fields(value) or {}
            found[told["user"]] = bytes.fromhex(told["newest"])
    return found


def last_ended(store: Store) -> int:
    """A number that changes whenever a visit ends."""
    return int(store.scalar("SELECT count(*) FROM visit WHERE closed_at NOTNULL"))


def learn_bond(
    store: Store,
    visit: int,
    bonded: bool,
    missing_on: str | None,
    at: datetime,
    *,
    renewed: bool = False,
    held: bool = False,
) -> None:
    """missing_on: 'ours' or 'cuff' where one side was found to have lost it; bonded: it stands, if need be anew.

    renewed: made in place of a lost one. held: what comes over it counts only once a person has confirmed it.
    """
    with store.transaction():
        changed = store.query(
            """UPDATE cuff SET bonded = ?1, bond_missing_on = ?2 WHERE id = (SELECT cuff_id FROM visit
                WHERE id = ?3) AND (bonded, bond_missing_on) IS NOT (?1, ?2)""",
            (int(bonded), None if bonded else missing_on, visit),
        ).rowcount
        if changed or missing_on or renewed:
            fact: dict[str, object] = {"bonded": bonded, "missing_on": missing_on}
            fact |= {"renewed": True} if renewed else {}
            fact |= {"held": True} if held and (renewed or missing_on == "cuff") else {}
            text = json.dumps(fact).encode()
            query = "SELECT 1 FROM visit_fact WHERE visit_id = ? AND kind = 'bond' AND value = ?"
            if changed or store.row(query, (visit, text)) is None:
                _learn(store, visit, "bond", None, text, at, 0, None)


def learn_confirmed(store: Store, cuff_id: int, at: datetime) -> None:
    """A person has confirmed the bond that stands; kept with the cuff's latest visit. Call inside a transaction."""
    visit = store.scalar("SELECT id FROM visit WHERE cuff_id = ? ORDER BY opened_at DESC, id DESC LIMIT 1", (cuff_id,))
    bonded = bool(store.scalar("SELECT bonded FROM cuff WHERE id = ?", (cuff_id,)))
    text = json.dumps({"bonded": bonded, "missing_on": None, "confirmed": True})
    _learn(store, visit, "bond", None, text.encode(), at, 0, None)


def learn_name(store: Store, visit: int, name: str, at: datetime) -> None:
    """What the cuff calls itself, as sent. Who was waited for by this name has come."""
    with store.transaction():
        store.query("DELETE FROM awaited WHERE name = ?", (name,))
        changed = store.query(
            """UPDATE cuff SET advertised = ?1 WHERE id = (SELECT cuff_id FROM visit WHERE id = ?2) AND
                advertised IS NOT ?1""",
            (name, visit),
        ).rowcount
        if changed:
            _learn(store, visit, "name", None, name.encode("utf-8", "surrogatepass"), at, 0, None)


def values_of(store: Store, cuff: str) -> dict[int, tuple[bytes, datetime]]:
    """The newest value read of each characteristic of a cuff, and when."""
    rows = store.query(
        """SELECT characteristic, value, max(at) FROM visit_fact WHERE kind = 'read' AND cuff_id =
            (SELECT id FROM cuff WHERE address = ?) GROUP BY characteristic""",
        (cuff,),
    )
    return {characteristic: (value, from_us(at)) for characteristic, value, at in rows}


def recent(store: Store, cuff: str | None = None, until: datetime | None = None) -> list[Visit]:
    """The twenty latest visits, newest first. until: none that a clock which ran ahead dated later."""
    rows = store.query(
        f"""SELECT visit.id, address, source, opened_at, closed_at, outcome, (SELECT count(*) FROM payload
            WHERE visit_id = visit.id), {visit_facts.WHOLE}
            FROM visit JOIN cuff ON cuff.id = cuff_id WHERE (?1 IS NULL OR address = ?1) AND
            (?2 IS NULL OR opened_at <= ?2) ORDER BY opened_at DESC, visit.id DESC LIMIT 20""",
        (cuff, optional_us(until)),
    )
    return [
        Visit(
            number=number,
            cuff=address,
            source=source,
            opened_at=from_us(opened),
            closed_at=None if closed is None else from_us(closed),
            outcome=outcome,
            payloads=count,
            whole=bool(whole),
        )
        for number, address, source, opened, closed, outcome, count, whole in rows
    ]


def payloads_between(store: Store, cuff: str, since: datetime, until: datetime | None) -> int:
    """How many a cuff sent in all visits that began then or later, but before `until`."""
    count: int = store.scalar(
        """SELECT count(*) FROM visit JOIN cuff ON cuff.id = visit.cuff_id JOIN payload ON visit_id = visit.id
        WHERE address = ?1 AND opened_at >= ?2 AND (?3 IS NULL OR opened_at < ?3)""",
        (cuff, to_us(since), optional_us(until)),
    )
    return count


def _learn(
    store: Store,
    visit: int,
    kind: str,
    characteristic: int | None,
    value: bytes,
    at: datetime,
    round_trip_us: int,
    error: int | None,
) -> None:
    with store.transaction():
        cuff_id = store.scalar("SELECT cuff_id FROM visit WHERE id = ?", (visit,))
        store.query(
            """INSERT INTO visit_fact (uid, visit_id, cuff_id, kind, characteristic, value, at,
                round_trip_us, error, clock_id) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
            (new_uid(), visit, cuff_id, kind, characteristic, value, to_us(at), round_trip_us, error, store.clock_id),
        )
        derivation.note_unsettled(store, cuff_id, to_us(at))


def cuff_of(store: Store, visit: int) -> int:
    """Row of the cuff that was visited."""
    return int(store.scalar("SELECT cuff_id FROM visit WHERE id = ?", (visit,)))
