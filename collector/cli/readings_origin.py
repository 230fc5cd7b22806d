"""`quietcuff readings --about`: where one reading comes from, how its time was bettered, and whose it was made."""

from typing import Any

from collector.cli.common.command import out
from collector.cli.common.output import out_json
from collector.share.text.layout import visible
from collector.store import audit, readings
from collector.store.database import Store


def tell(store: Store, reading_id: str, as_json: bool) -> int:
    """Says it all; returns 1, the number of readings. Raises StoreError for none or several of that beginning."""
    reading = readings.get(store, reading_id)
    came: list[dict[str, Any]] = [
        {"arrived_at": at, "source": source, "station": station, "payload": payload}
        for at, source, station, payload in readings.sightings(store, reading.reading_id)
    ]
    bettered: list[dict[str, Any]] = [
        {"at": at, "from": before, "from_basis": str(was), "to": after, "to_basis": str(now)}
        for at, before, after, was, now in readings.retimings(store, reading.reading_id)
    ]
    changes: list[dict[str, Any]] = [
        {"at": change.at, "what": change.what, "from": change.detail.get("from"), "to": change.detail.get("to")}
        for change in audit.about_reading(store, reading.reading_id)
    ]
    if as_json:
        out_json({"reading_id": reading.reading_id, "came": came, "times": bettered, "owners": changes})
        return 1
    sure = "" if reading.taken_uncertainty_s is None else f", give or take {reading.taken_uncertainty_s:g} s"
    out(f"{reading.reading_id} taken {reading.taken_at.isoformat(' ', 'seconds')}, {reading.taken_basis}{sure}")
    out(f"  stamp {reading.stamp or 'none'}" + "".join(f", {mark}" for mark in reading.marks))
    for one in came:
        out(f"  came {one['arrived_at'].isoformat(' ', 'seconds')} by {one['source']}, {one['payload']}")
    for one in bettered:
        zone = reading.taken_at.tzinfo
        before, after = (one[end].astimezone(zone).isoformat(" ", "seconds") for end in ("from", "to"))
        out(
            f"  time bettered {one['at'].isoformat(' ', 'seconds')}: from {before} ({one['from_basis']}) to {after} "
            f"({one['to_basis']})"
        )
    for one in changes:
        ends = "".join(f" {word} {one[word]}" for word in ("from", "to") if one[word])
        out(visible(f"  {one['what']} {one['at'].isoformat(' ', 'seconds')}{ends}"))
    return 1
