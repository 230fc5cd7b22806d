"""Readings, chosen and handed out."""

from collector.store.readings.queries import (
    count,
    get,
    newest_by_slot,
    nobodys,
    retimings,
    select,
    sightings,
    those,
    unassigned,
    unreadable,
)

__all__ = [
    "count",
    "get",
    "newest_by_slot",
    "nobodys",
    "retimings",
    "select",
    "sightings",
    "those",
    "unassigned",
    "unreadable",
]
