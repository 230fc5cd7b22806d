"""What the store knows of a cuff, as a radio takes it to a visit; and what discovery found, as the store keeps it."""

from collections.abc import Mapping

from collector.radio.facts import Found, KnownCuff, Learned, Manner
from collector.store.database import Store
from collector.store.journal import manners, visits
from parsers.uuids import Uuid, full


def known_cuff(store: Store, address: str, bonded: bool, handles: Mapping[int, int]) -> KnownCuff:
    told = manners.last_read(store, address, Uuid.BLOOD_PRESSURE_FEATURE)
    hashed = manners.last_read(store, address, Uuid.DATABASE_HASH)
    return KnownCuff(
        address=address,
        bonded=bonded,
        handles=handles,
        found=tuple(_found(place) for place in manners.places_of(store, address)),
        manners=frozenset(Learned(Manner(one.kind), one.detail, one.sure) for one in manners.of(store, address)),
        described_at=told and told[1],
        database_hash=hashed and hashed[0],
        undelivered=manners.undelivered(store, address),
        newest_records=visits.newest_records(store, address),
    )


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
