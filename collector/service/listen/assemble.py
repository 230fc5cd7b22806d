"""`listen`, put together: the store and its lock, the sink, the radio, the recurring work."""

import asyncio
import logging
import os
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from collector import intake
from collector.radio.exclusive.rights import transport_of
from collector.radio.plan import VisitPlan
from collector.radio.port import Radio
from collector.service.config import Config, zone_of
from collector.service.config.schema import ConfigError
from collector.service.config.settings import RadioKind
from collector.service.jobs import backups, retention
from collector.service.jobs.schedule import Job
from collector.service.listen import supervise
from collector.service.listen.fallback import FallingBack, MadeToRun
from collector.service.listen.pairing_person import StorePerson
from collector.service.listen.station_clock import StationClock
from collector.service.listen.store_sink import StoreSink
from collector.service.listener_lock import only_listener
from collector.service.notices.rounds import Rounds
from collector.store import conditions, upkeep
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import stations, visits
from collector.store.opening import open_store

log = logging.getLogger("quietcuff.service")

STILL_SURE_S = 30.0
NOTICES_S = 900.0


def plan_of(config: Config) -> VisitPlan:
    users = {address: cuff.users for address, cuff in config.cuffs.items() if cuff.users}
    return VisitPlan(
        set_clock=config.radio.set_clock,
        clock_wrong_after_s=config.radio.clock_wrong_after_s,
        zone=zone_of(config),
        users=users,
    )


def radio_of(config: Config, store: Store) -> Radio:
    """The radio that the configuration asks for; its libraries are imported only now."""
    adapter = config.radio.adapter

    def over_bluez() -> Radio:
        from collector.radio.bluez import BlueZRadio

        of_system = adapter if adapter is None or adapter.startswith("hci") else None
        return BlueZRadio(of_system, witness=config.radio.witness, person=StorePerson(store))

    def exclusive() -> Radio:
        from collector.radio.exclusive.adapter import ExclusiveRadio

        return ExclusiveRadio(transport_of(adapter), store.path.parent / "bonds", person=StorePerson(store))

    def practice() -> Radio:
        from collector.service.guided.practice import practice_radio

        return practice_radio()

    match config.radio.kind:
        case RadioKind.BLUEZ:
            return over_bluez()
        case RadioKind.EXCLUSIVE:
            return FallingBack(MadeToRun("exclusive", exclusive), over_bluez)
        case RadioKind.VIRTUAL:
            return MadeToRun("virtual", practice)


def daily_care(path: Path) -> Callable[[], str | None]:
    """Integrity check and checkpoint, on a connection of its own beside the listener's."""

    def work() -> str | None:
        with open_store(path, create=False) as store:
            found = upkeep.integrity(store)
            upkeep.checkpoint(store)
            trouble = (
                f"the store is damaged: {found[0]}; `quietcuff backup restore` offers the last good copy"
                if found
                else None
            )
            conditions.tell(store, "integrity", trouble, datetime.now(UTC))
        if trouble:
            raise RuntimeError(trouble)
        return "the store is sound"

    return work


def jobs_of(path: Path, config: Config, rounds: Callable[[], str | None]) -> list[Job]:
    """The recurring work that the configuration asks for."""
    jobs = [
        Job("daily care of the store", daily_care(path), daily_at="03:30"),
        Job("notices", rounds, every_s=NOTICES_S),
    ]
    if config.relay:
        from collector.service.jobs.relaying import RELAY_S, RelayRun

        jobs.append(Job("relay", RelayRun(path, config), every_s=RELAY_S))
    if config.backup.daily:
        folder = backups.folder_of(path, config.backup.folder)
        work = backups.daily(path, folder, config.backup.keep, config.backup.encrypt_to or None)
        jobs.append(Job("daily backup", work, daily_at=config.backup.at))
    if config.retention.payloads_days:
        jobs.append(Job("retention", retention.daily(path, config.retention.payloads_days), daily_at="03:45"))
    return jobs


async def listen(
    path: Path,
    config: Config,
    radio: Radio | None = None,
    stop: asyncio.Event | None = None,
    heard: Callable[[str], None] | None = None,
    reread: Callable[[], Config] | None = None,
) -> None:
    """Collect until told to stop. Raises AlreadyListening or StoreError, one line each, when it can't begin.

    heard: called with the id of each new reading. reread: reads the configuration anew, for SIGHUP.
    """
    os.umask(0o077)
    rounds = Rounds(path, config)

    def new_reading(reading_id: str) -> None:
        rounds.soon()
        if heard:
            heard(reading_id)

    with open_store(path, check=True) as store, only_listener(path) as keep_lock:
        clock = StationClock(store)
        sink = StoreSink(store, config.radio.accept, new_reading, clock.before_dating)
        control = supervise.RunControl(plan_of(config), stop)
        _finish_last_run(store, sink, zone_of(config), clock)
        watching = asyncio.create_task(_stay_sure(keep_lock, store, clock, sink))
        watching.add_done_callback(lambda _: control.end())

        def reload() -> VisitPlan | None:
            nonlocal config, rounds
            try:
                config = reread() if reread else config
            except ConfigError as error:
                log.error("the configuration stays as it was: %s", "; ".join(error.problems))
                return None
            rounds = Rounds(path, config)
            sink.accept = config.radio.accept
            stations.set_zone(store, zone_of(config), datetime.now(UTC))
            log.info("the configuration was read again; a change of store, radio or adapter waits for a restart")
            return plan_of(config)

        try:
            await supervise.run(
                radio or radio_of(config, store), sink, control, lambda: jobs_of(path, config, rounds), reload
            )
        finally:
            watching.cancel()
            with suppress(asyncio.CancelledError):
                await watching
            sink.read_all()
            visits.close_open(store, datetime.now(UTC))
            upkeep.checkpoint(store)


def _finish_last_run(store: Store, sink: StoreSink, zone: str, clock: StationClock) -> None:
    """What the last run left undone, before anything new comes in."""
    now = datetime.now(UTC)
    conditions.clear(store)
    stations.set_zone(store, zone, now)
    sink.tell("clock", clock.check())
    left_open = visits.close_open(store, now)
    waiting = sink.catch_up()
    try:
        for gone in intake.finish_erasing(store):
            log.info("finished an erase that was interrupted: %d traces of its payloads are left", len(gone.left))
    except StoreError as error:
        log.error("an erase that was interrupted is not finished yet: %s", error)
    if left_open or waiting:
        log.info("took up after an abrupt end: %d visits closed, %d payloads read", left_open, waiting)


async def _stay_sure(keep_lock: Callable[[], None], store: Store, clock: StationClock, sink: StoreSink) -> None:
    """What was so at the beginning may change. Raises AlreadyListening or StoreError where this one has to end."""
    while True:
        await asyncio.sleep(STILL_SURE_S)
        store.refuse_moved()
        keep_lock()
        try:
            sink.tell("clock", clock.check())
        except Exception as error:
            log.error("checking the clock failed: %s", error)
