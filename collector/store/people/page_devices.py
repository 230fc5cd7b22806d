"""Who may look at the station's page: links that are good once, and the devices that came in by one.

A token is told to nobody but its holder: what is kept of it is its SHA-256.
"""

import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from hashlib import sha256

from collector.store import audit, people
from collector.store.columns import word_of
from collector.store.database import Store
from collector.store.errors import RefusedByStore
from collector.store.instants import from_us, to_come, to_us
from collector.store.namesakes import CALLED

INVITE_LIFE = timedelta(minutes=15)
DEVICE_LIFE = timedelta(days=365)
DEVICE_SLACK = timedelta(days=1)
"""So far a clock may go back before whoever was let in has to come anew."""
SEEN_STEP = timedelta(hours=1)
"""A device's last visit is written no more often: looking at a page is no reason to write each time."""
LONGEST_NAME = 80
FORMS_KEPT = timedelta(days=2)


class Role(StrEnum):
    PERSON = "person"  # sees and changes what is the person's own
    KEEPER = "keeper"  # looks after a household: everybody's, the cuffs, the station
    DESK = "desk"  # lends cuffs; codes only
    VIEWER = "viewer"  # sees one person's own and changes nothing


OF_ONE_PERSON = frozenset({Role.PERSON, Role.VIEWER})


@dataclass(frozen=True, slots=True)
class Device:
    """person, row: whose it is; None where the role has nobody."""

    number: int
    name: str
    role: Role
    person: str | None
    row: int | None
    made_at: datetime
    seen_at: datetime
    ends_at: datetime


def invite(store: Store, person: str | None, role: Role, at: datetime) -> str:
    """A token for a link, good once and until INVITE_LIFE from `at`. Raises StoreError."""
    if role in OF_ONE_PERSON and person is None:
        raise RefusedByStore(f"a device of role {role} is somebody's; say whose: `quietcuff page invite NAME`")
    row = people.need_alone(store, person).row if person is not None else None
    token = secrets.token_urlsafe(32)
    with store.transaction():
        store.query("DELETE FROM page_invite WHERE expires_at < ?", (to_us(at - INVITE_LIFE),))
        store.query(
            "INSERT INTO page_invite (hash, person_id, role, expires_at) VALUES (?, ?, ?, ?)",
            (_digest(token), row, str(role), to_us(at + INVITE_LIFE)),
        )
        audit.record(store, at, "page invited", {"role": str(role)}, row)
    return token


def admit(store: Store, token: str, name: str, at: datetime) -> str | None:
    """Use the link up and make the device: its own token, for its cookie. None for a link that is not good any more.

    One statement decides, so that of many who send the same link at once one gets in. Twice the life of a link, since
    a clock that is kept right may go back a little.
    """
    own = secrets.token_urlsafe(32)
    name = " ".join(name.split())[:LONGEST_NAME] or "a device"
    with store.transaction():
        row = store.query(
            """UPDATE page_invite SET used_at = ?2 WHERE hash = ?1 AND used_at IS NULL
                AND expires_at > ?2 AND expires_at <= ?3 RETURNING person_id, role""",
            (_digest(token), *to_come(at, 2 * INVITE_LIFE)),
        ).fetchone()
        if row is None:
            return None
        store.query(
            """INSERT INTO page_device (hash, person_id, role, name, made_at, seen_at, ends_at) VALUES
                (?1, ?2, ?3, ?4, ?5, ?5, ?6)""",
            (_digest(own), row[0], row[1], name, to_us(at), to_us(at + DEVICE_LIFE)),
        )
        audit.record(store, at, "page device added", {"device": name, "role": row[1]}, row[0])
    return own


_COLUMNS = f"""SELECT page_device.id, page_device.name, role, {CALLED}, person_id, made_at, seen_at, ends_at FROM
        page_device LEFT JOIN person ON person.id = person_id """


def device_of(store: Store, token: str, at: datetime) -> Device | None:
    """Whose device shows this token; None for one that is unknown, removed, too old, or of a clock that ran ahead."""
    values = _digest(token), *to_come(at, DEVICE_LIFE + DEVICE_SLACK)
    row = store.row(_COLUMNS + "WHERE page_device.hash = ? AND ends_at > ? AND ends_at <= ?", values)
    return None if row is None else _device(*row)


def note_visit(store: Store, device: Device, at: datetime) -> None:
    """Remember when a device was last here, to the hour."""
    if abs(at - device.seen_at) >= SEEN_STEP:
        store.query("UPDATE page_device SET seen_at = ? WHERE id = ?", (to_us(at), device.number))


def every(store: Store) -> list[Device]:
    """All devices, the one seen last first."""
    return [_device(*row) for row in store.query(_COLUMNS + "ORDER BY seen_at DESC, page_device.id")]


def revoke(store: Store, number: int, at: datetime) -> Device:
    """The device is out from now on. Raises StoreError for one that is not there."""
    with store.transaction():
        row = store.row(_COLUMNS + "WHERE page_device.id = ?", (number,))
        if row is None:
            raise RefusedByStore(f"no device {number}; `quietcuff page devices` shows them")
        found = _device(*row)
        store.query("DELETE FROM page_device WHERE id = ?", (number,))
        audit.record(store, at, "page device removed", {"device": found.name, "role": str(found.role)}, found.row)
    return found


def keep_out_the_revoked(restored: Store, present: Store) -> None:
    """A backup that takes a store's place goes back in time: who was put out since stays out, and a link that was used
    is used up."""
    with restored.transaction():
        for table, still in (("page_device", "true"), ("page_invite", "used_at IS NULL")):
            let_in = set(present.query(f"SELECT hash FROM {table} WHERE {still}"))
            gone = set(restored.query(f"SELECT hash FROM {table}")) - let_in
            restored.many(f"DELETE FROM {table} WHERE hash = ?", gone)


def first_time(store: Store, key: str, at: datetime) -> bool:
    """Whether this form is sent for the first time. Call it in the transaction of the change itself."""
    store.query("DELETE FROM page_form WHERE at < ?", (to_us(at - FORMS_KEPT),))
    return bool(store.query("INSERT OR IGNORE INTO page_form VALUES (?, ?)", (key, to_us(at))).rowcount)


def _digest(token: str) -> bytes:
    return sha256(token.encode()).digest()


def _device(
    number: int, name: str, role: str, person: str | None, row: int | None, made: int, seen: int, ends: int
) -> Device:
    return Device(
        number=number,
        name=name,
        role=word_of(Role, role),
        person=person,
        row=row,
        made_at=from_us(made),
        seen_at=from_us(seen),
        ends_at=from_us(ends),
    )
