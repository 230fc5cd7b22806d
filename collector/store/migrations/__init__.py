"""The schema, step by step. Forward only: a step that has been released is never changed, only followed."""

from collections.abc import Callable
from typing import Any

from collector.store.migrations import (
    m001_journal,
    m002_readings,
    m003_people,
    m004_relay,
    m005_united,
    m006_namesakes,
    m007_page,
    m008_strikes,
    m009_pace,
    m010_erasing,
    m011_office,
    m012_manners,
    m013_pairing,
    m014_handles,
    m015_entered,
    m016_addresses,
)

STEPS: tuple[tuple[str, Callable[[Any], None]], ...] = (
    ("001 journal", m001_journal.apply),
    ("002 readings", m002_readings.apply),
    ("003 people", m003_people.apply),
    ("004 relay", m004_relay.apply),
    ("005 united", m005_united.apply),
    ("006 namesakes", m006_namesakes.apply),
    ("007 page", m007_page.apply),
    ("008 strikes", m008_strikes.apply),
    ("009 pace", m009_pace.apply),
    ("010 erasing", m010_erasing.apply),
    ("011 office", m011_office.apply),
    ("012 manners", m012_manners.apply),
    ("013 pairing", m013_pairing.apply),
    ("014 handles", m014_handles.apply),
    ("015 entered", m015_entered.apply),
    ("016 addresses", m016_addresses.apply),
)
"""In order. The store's user_version is the number of steps taken."""
