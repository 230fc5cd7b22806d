"""When something is said of a reading: a claim or a strike names one payload, and several may tell of the reading."""

_ORDER = ("claim.changed_at <> payload.arrived_at", "claim.changed_at", "claim.uid")
LAST_CLAIM_LAST, LAST_CLAIM_FIRST = ", ".join(_ORDER), ", ".join(f"{one} DESC" for one in _ORDER)
"""SQL: the order of claims with their payloads. Whose a line is by its log is claimed as it comes in; what somebody
said of the reading counts for more, though another station, which knew nothing of it, took the log in afterwards."""


def after_all_said(table: str, at: str) -> str:
    """SQL for `changed_at` of a row of this table about the payload in hand: at, and later than whatever was said of
    any payload of its reading, by another station too, whatever the clock showed then."""
    return f"""max({at}, coalesce((SELECT max(before.changed_at) + 1 FROM outcome mine
        JOIN outcome theirs ON theirs.reading = mine.reading JOIN payload told ON told.id = theirs.payload_id
        JOIN {table} before ON before.payload_uid = told.uid WHERE mine.payload_id = payload.id), 0))"""
