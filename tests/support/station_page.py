"""The station's page over a store of invented people, asked without a socket; and as a process of its own."""

import os
import re
import socket
import subprocess
import sys
import time
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Self

import httpx
from fresh import fresh

from collector.intake.owner import assign_cuff
from collector.intake.pipeline import catch_up, settle
from collector.page.app import build
from collector.page.guard import Life
from collector.page.start import LOOPBACK
from collector.page.visitor import ServedStation
from collector.service.config import Config
from collector.service.config.settings import StationSettings
from collector.store import Store, journal, people
from collector.store.journal import cuffs, stations, visits
from collector.store.people import page_devices, slot_spans
from collector.store.people.page_devices import Role
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime, build_date_time

KITCHEN, HALLWAY = "C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02"
BASE = "http://127.0.0.1"
MIRA, BEN = "mira", "ben"


def send(
    store: Store, at: datetime, systolic: int, diastolic: int = 80, slot: int | None = 1, cuff: str = KITCHEN
) -> str:
    """One record as a visit brings it; the reading's id."""
    visit = visits.open_visit(store, cuff, "virtual", at)
    clock = DateTime.of(at.replace(tzinfo=None))
    visits.learn_value(store, visit, 0x2A08, build_date_time(clock), at)
    value = build_measurement(measurement(systolic, diastolic, 97, stamp=clock, pulse=64, user_id=slot, status=0))
    arrived = at + timedelta(seconds=20)
    journal.append(
        store,
        cuff=cuff,
        characteristic=0x2A35,
        value=value,
        source="virtual",
        visit=visit,
        arrived_at=arrived,
        encrypted=True,
    )
    visits.close_visit(store, visit, arrived, "cuff left")
    catch_up(store)
    settle(store, visit)
    return str(store.scalar("SELECT reading_id FROM reading ORDER BY id DESC LIMIT 1"))


def household(path: Path, now: datetime) -> Store:
    """mira has slot 1 of the kitchen cuff and five days of readings, ben slot 2 and one; slot 3 is nobody's."""
    store = fresh(path)
    stations.set_zone(store, "UTC", datetime(2030, 1, 1, tzinfo=UTC))
    people.add(store, MIRA, now)
    people.add(store, BEN, now)
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    for number in range(10):
        at = midnight - timedelta(days=5 - number // 2, hours=-7 - 12 * (number % 2))
        send(store, at, 131 + number)
        send(store, at + timedelta(minutes=2), 129 + number)
    send(store, midnight - timedelta(hours=4), 117, 71, slot=2)
    send(store, midnight - timedelta(hours=3), 149, 93, slot=3)
    for name, slot in ((MIRA, 1), (BEN, 2)):
        slot_spans.add(store, name, KITCHEN, slot, now)
    assign_cuff(store, cuffs.row_of(store, KITCHEN))
    cuffs.name(store, KITCHEN, "kitchen", now)
    return store


def fill(store: Store, now: datetime, days: int) -> None:
    """Four readings a day of mira's until yesterday, straight into the journal, as one long visit."""
    begin = now - timedelta(days=days + 10)
    visit = visits.open_visit(store, KITCHEN, "virtual", begin)
    with store.transaction():
        for number in range(4 * days):
            at = begin + timedelta(days=number // 4, hours=7 + 12 * (number // 2 % 2), minutes=2 * (number % 2))
            clock = DateTime.of(at.replace(tzinfo=None, microsecond=0))
            value = build_measurement(
                measurement(120 + number % 25, 75 + number % 12, 95, stamp=clock, pulse=60 + number % 20, user_id=1)
            )
            journal.append(
                store, cuff=KITCHEN, characteristic=0x2A35, value=value, source="virtual", visit=visit,
                arrived_at=at + timedelta(seconds=20), encrypted=True,
            )  # fmt: skip
    catch_up(store)


class Pages:
    """The page's routes, asked in this process. One browser a role and person."""

    def __init__(self, store: Store, config: Config | None = None) -> None:
        self.store = store
        self.config = config or Config(station=StationSettings(zone="UTC"))
        self.station = ServedStation(store, self.config, store.path, Life())
        self.app = build(self.station, LOOPBACK)
        self.browsers: list[httpx.AsyncClient] = []

    def browser(self, **headers: str) -> httpx.AsyncClient:
        """As a browser on our own page would ask; nobody is signed in."""
        made = httpx.AsyncClient(
            transport=httpx.ASGITransport(self.app),
            base_url=BASE,
            headers={"origin": BASE, "sec-fetch-site": "same-origin", **headers},
        )
        self.browsers.append(made)
        return made

    def signed_in(self, role: Role, person: str | None = None, name: str = "phone") -> httpx.AsyncClient:
        now = datetime.now(UTC)
        token = page_devices.admit(self.store, page_devices.invite(self.store, person, role, now), name, now)
        assert token is not None
        browser = self.browser()
        browser.cookies.set("quietcuff", token)
        return browser

    def row(self, person: str) -> int:
        return people.need(self.store, person).row


def once_of(page: str) -> str:
    """The key of the first form on a page."""
    found = re.search(r'name="once" value="([^"]+)"', page)
    assert found is not None
    return found[1]


class Serving:
    """`quietcuff page run` as a process on a store, to be restarted at will."""

    def __init__(
        self,
        store: Path,
        *options: str,
        config: Path | None = None,
        scheme: str = "http",
        entry: bool = False,
        log: Path | None = None,
        hurry: str = "",
    ) -> None:
        """entry: the unit's own small entry, without the command line. log: where its stderr goes.

        hurry: by that entry, after these statements: times of the page that a test does not wait for.
        """
        self.entry, self.log, self.hurry = entry or bool(hurry), log, hurry
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self.store, self.options, self.config = store, options, config
        self.base = f"{scheme}://127.0.0.1:{self.port}"

    def start(self) -> None:
        config = ["--config", str(self.config)] if self.config else []
        command = ["--store", str(self.store), *config, "page", "run", "--port", str(self.port), *self.options]
        environment = {name: value for name, value in os.environ.items() if not name.startswith("QUIETCUFF_")}
        if self.entry:
            environment |= {"QUIETCUFF_STORE": str(self.store), "QUIETCUFF_PAGE_PORT": str(self.port)}
            environment |= {"QUIETCUFF_CONFIG": str(self.config)} if self.config else {}
        program = ["-m", "collector.page.main"] if self.entry else ["-m", "collector.cli.main", *command]
        if self.hurry:
            program = ["-c", f"{self.hurry}\nfrom collector.page.main import run\nrun()"]
        with ExitStack() as stack:
            log = stack.enter_context(self.log.open("ab")) if self.log else None
            self.process = subprocess.Popen([sys.executable, *program], env=environment, stderr=log)
        give_up = time.monotonic() + 90
        while time.monotonic() < give_up:
            try:
                socket.create_connection(("127.0.0.1", self.port)).close()
                return
            except OSError:
                time.sleep(0.05)
        raise RuntimeError("the page does not start")

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(20)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        self.stop()
