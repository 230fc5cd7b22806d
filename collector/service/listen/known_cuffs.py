"""What the store knows of a cuff, as a radio takes it to a visit; and what discovery found, as the store keeps it."""

import logging
from collections.abc import Iterator, Mapping

from collector.radio.facts import Found, KnownCuff, Learned, Manner
from collector.store.database import Store
from collector.store.errors import ODD
from collector.store.journal import cuffs, manners, visits
from parsers.uuids import Uuid, full

log = logging.getLogger("quietcuff.service")
_MANNERS = frozenset(Manner)


def known_cuff(store: Store, address: str, bonded: bool, handles: Mapping[int, int]) -> KnownCuff:
    told = manners.last_read(store, address, Uuid.BLOOD_PRESSURE_FEATURE)
    hashed = manners.last_read(store, address, Uuid.DATABASE_HASH)
    return KnownCuff(
        address=address,
        bonded=bonded,
        handles=handles,
        found=tuple(_found(place) for place in manners.places_of(store, address)),
        manners=frozenset(
            Learned(Manner(one.kind), one.detail, one.sure)
            for one in manners.of(store, address)
            if one.kind in _MANNERS  # of a later quietcuff: not ours to act on
        ),
        described_at=told and told[1],
        database_hash=hashed and hashed[0],
        undelivered=manners.undelivered(store, address),
        newest_records=visits.newest_records(store, address),
    )


def known_cuffs(store: Store) -> Iterator[KnownCuff]:
    """All that were not forgotten. One of which something cannot be read is visited as if for the first time: a value
    that is none keeps out neither it nor any other."""
    for address, bonded, handles in cuffs.known(store):
        try:
            yield known_cuff(store, address, bonded, handles)
        except ODD as error:
            log.debug("%r: what was learned of it cannot be read: %s", address, error)
            yield KnownCuff(address, bonded)


def place_of(found: Found) -> manners.Place:
    assert found.short is not None
    return manners.Place(found.handle, found.short, found.service, found.properties, configuration=found.configuration)


def _found(place: manners.Place) -> Found:
    return Found(
        uuid=full(place.characteristic),
        short=place.characteristic,
        handle=place.handle,
        properties=place.properties,
        service=place.service,
        configuration=place.configuration,
    )
