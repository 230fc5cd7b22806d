"""All that is looked at once the configuration is known: store, service, notices, relay, clock, radio."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from collector.radio.exclusive import rights
from collector.service.checks import bluetooth, clock, configured, relay, service
from collector.service.checks import store as stored
from collector.service.checks.finding import Finding, attention, fine, readable
from collector.service.config import Config, wall_zone
from collector.service.config.settings import RadioKind
from collector.service.listener_lock import listener
from collector.service.notices.rounds import notices_now
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import payloads
from collector.store.opening import open_store


def everything(config: Config, path: Path, quick: bool = False) -> Iterator[Finding]:
    """quick: without looking through the whole store. Changes nothing. Needs a thread without an event loop."""
    pid = listener(path)
    newest = None
    told: set[str] = set()
    try:
        with open_store(path, create=False, read_only=True) as store:
            yield from stored.named(path)
            yield from stored.findings(store, quick, pid is not None)
            newest = payloads.newest_arrival(store)
            yield service.listening(path, pid)
            for finding in readable(store, service.standing_conditions(store, pid, wall_zone(config))):
                told.add(finding.topic)
                yield finding
            yield from readable(store, _notices(store, config))
            yield from readable(store, relay.findings(store, config))
            yield from readable(store, configured.unknown_people(store, config))
    except (StoreError, OSError) as error:
        yield stored.unusable(error)
        yield service.listening(path, pid)
    yield from configured.secrets(config)
    yield from service.witness(config, pid, told)
    yield from clock.findings(datetime.now(UTC), newest, wall_zone(config))
    yield from _radio(config, bluetooth.findings)


def _notices(store: Store, config: Config) -> Iterator[Finding]:
    """What the service would give notice of; what it tells of itself is told already."""
    for notice in notices_now(store, config):
        if notice.topic != "service":
            yield attention(notice.topic, notice.words(personal=True), notice.remedy)


def _radio(config: Config, findings: Callable[[str | None], Iterator[Finding]]) -> Iterator[Finding]:
    if config.radio.kind is RadioKind.BLUEZ:
        yield from findings(config.radio.adapter)
        return
    lacking = []
    if config.radio.kind is RadioKind.EXCLUSIVE:
        lacking = rights.missing()
    for what, remedy in lacking:
        yield attention("exclusive radio", what, remedy)
    if not lacking:
        yield fine("radio", f"{config.radio.kind}: BlueZ is not used")
