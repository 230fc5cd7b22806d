"""When something is said of a reading: a claim or a strike names one payload, and several may tell of the reading."""


def after_all_said(table: str, at: str) -> str:
    """SQL for `changed_at` of a row of this table about the payload in hand: at, and later than whatever was said of
    any payload of its reading, by another station too, whatever the clock showed then."""
    return f"""max({at}, coalesce((SELECT max(before.changed_at) + 1 FROM outcome mine
        JOIN outcome theirs ON theirs.reading = mine.reading JOIN payload told ON told.id = theirs.payload_id
        JOIN {table} before ON before.payload_uid = told.uid WHERE mine.payload_id = payload.id), 0))"""
