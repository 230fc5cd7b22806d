"""Two people who are one: another station named somebody anew, or a code was used where there was a name.

The one keeps everything; of the other a row stays that says whose it is now, so that what other stations still bring
in under it finds its way, whatever the order in which stores merge.
"""

from dataclasses import dataclass
from datetime import datetime

from collector.store import audit, people
from collector.store.database import Store
from collector.store.errors import RefusedByStore
from collector.store.instants import to_us
from collector.store.people import slot_spans

OWNED = ("claim", "span", "note", "office_visit", "sitting", "loan", "page_invite", "page_device", "page_sitting")
"""Tables whose rows are a person's."""


@dataclass(frozen=True, slots=True)
class Union:
    """kept: who everything belongs to; other: who is part of them from then on. readings, slots, notes, sittings,
    loans: of the other."""

    kept: str
    other: str
    readings: int
    slots: int
    notes: int
    sittings: int
    loans: int


def preview(store: Store, kept: str, other: str) -> Union:
    """What `unite` would do. Raises StoreError for people who are not there, or are one already."""
    one, two = people.need(store, kept), people.need(store, other)
    if one.row == two.row:
        raise RefusedByStore(f"{one.name} is one person already")

    def count(table: str, held: str = "1") -> int:
        return int(store.scalar(f"SELECT count(*) FROM {table} WHERE person_id = ? AND {held}", (two.row,)))

    return Union(
        kept=one.name,
        other=two.name,
        readings=count("reading"),
        slots=count("span", "NOT gone"),
        notes=count("note", "NOT gone"),
        sittings=count("sitting", "NOT gone"),
        loans=count("loan", "NOT gone"),
    )


def unite(store: Store, kept: str, other: str, at: datetime) -> Union:
    """All that is the other's belongs to the one who is kept. Call `intake.reassign` afterwards. Raises StoreError."""
    with store.transaction():
        union = preview(store, kept, other)
        one, two = people.need(store, kept), people.need(store, other)
        store.query(
            """UPDATE person SET part_of = (SELECT uid FROM person WHERE id = ?1), gone = 1, changed_at =
                max(?2, changed_at + 1) WHERE id = ?3""",
            (one.row, to_us(at), two.row),
        )
        follow(store)
        audit.record(store, at, "people united", {"person": one.name, "from": two.name}, one.row)
    return union


def follow(store: Store) -> None:
    """Give whatever is of a united person to the one they are part of now. Idle where all is so already."""
    with store.transaction():
        part_of = dict(store.query("SELECT uid, part_of FROM person WHERE part_of IS NOT NULL").fetchall())
        for uid in sorted(part_of):
            root = root_of(part_of, uid)
            if root == uid:  # each was united into the other, at two stations: one of them has to stay
                store.query("UPDATE person SET part_of = NULL, gone = 0 WHERE uid = ?", (uid,))
                continue
            ids = "(SELECT id FROM person WHERE uid = ?)"
            one, two = (store.scalar("SELECT id FROM person WHERE uid = ?", (each,)) for each in (root, uid))
            slot_spans.keep_ends(store, two, of=one)
            slot_spans.keep_ends(store, one, of=two)
            for table in OWNED:
                store.query(f"UPDATE {table} SET person_id = {ids} WHERE person_id = {ids}", (root, uid))
            store.query(f"DELETE FROM relay_hold WHERE person_id = {ids}", (uid,))


def root_of(part_of: dict[bytes, bytes], uid: bytes) -> bytes:
    """The person at the end of the chain; where it goes round in a ring, the least name of the ring, everywhere the
    same."""
    chain = [uid]
    while chain[-1] in part_of:
        following = part_of[chain[-1]]
        if following in chain:
            return min(chain[chain.index(following) :])
        chain.append(following)
    return chain[-1]
