"""Readings, chosen and handed out."""

from collector.store.readings.queries import count, get, retimings, select, sightings, those, unassigned, unreadable

__all__ = ["count", "get", "retimings", "select", "sightings", "those", "unassigned", "unreadable"]
