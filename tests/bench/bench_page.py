"""What the page costs: today's first octet against the bare query and template, weights, memory awake.

    python tests/bench/bench_page.py

Three years of readings, four a day; figures are ratios of medians in one run, so that the machine does not count.
"""

import asyncio
import statistics
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from station_page import MIRA, Pages, Serving, fill, household

from collector.page.rendering import HERE, templates
from collector.store import Selection, readings
from collector.store.database import Store
from collector.store.people.page_devices import Role

DAYS, ROUNDS, ASKED = 1095, 9, 100
MOST_RATIO, MOST_OCTETS, MOST_MB = 5.0, 100_000, 60.0


async def median(act: Callable[[], Awaitable[object]]) -> float:
    took = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        await act()
        took.append(time.perf_counter() - began)
    return statistics.median(took)


async def main() -> bool:
    now = datetime.now(UTC)
    with TemporaryDirectory() as place, household(Path(place) / "station.db", now) as store:
        fill(store, now, DAYS)
        total = readings.count(store, Selection(person=MIRA))
        pages = Pages(store)
        browser, row = pages.signed_in(Role.KEEPER, MIRA), pages.row(MIRA)

        async def bare() -> None:
            list(readings.select(store, Selection(person=MIRA)))
            templates().get_template("spent.html").render(who=None, person=None, error="", here="/")

        async def today() -> None:
            assert (await browser.get(f"/p/{row}/today")).status_code == 200

        await today()
        ratio = await median(today) / await median(bare)
        print(f"today over {total} readings: {ratio:.1f} × the bare query and template (at most {MOST_RATIO:g})")
        styles = sum(file.stat().st_size for file in (HERE / "static").iterdir())
        heaviest = 0
        for name in ("today", "measure", "readings", "time", "time?months=12", "visit", "visit/page"):
            octets = len((await browser.get(f"/p/{row}/{name}")).content)
            weight = octets + (0 if name == "visit/page" else styles)
            heaviest = max(heaviest, weight)
            print(f"{name}: {weight / 1000:.1f} kB with its styles and scripts")
        memory = awake(store)
        print(f"awake after {ASKED} requests: {memory:.1f} MB resident (at most {MOST_MB:g})")
        await browser.aclose()
    return ratio <= MOST_RATIO and heaviest <= MOST_OCTETS and memory <= MOST_MB


def awake(store: Store) -> float:
    """MB resident of a process that has drawn today so often."""
    from collector.store.people import page_devices

    now = datetime.now(UTC)
    token = page_devices.admit(store, page_devices.invite(store, MIRA, Role.PERSON, now), "bench", now)
    with Serving(store.path, entry=True) as serving:
        for _ in range(ASKED):
            request = urllib.request.Request(f"{serving.base}/", headers={"cookie": f"quietcuff={token}"})
            with urllib.request.urlopen(request) as answer:
                answer.read()
        status = Path(f"/proc/{serving.process.pid}/status").read_text()
    return int(next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS"))) / 1024


if __name__ == "__main__":
    sys.exit(0 if asyncio.run(main()) else 1)
