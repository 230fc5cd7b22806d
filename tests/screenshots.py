"""Draws the pictures in docs/pictures from the invented household, by one command:

    python tests/screenshots.py

The pictures show the page on a phone, and the report as it is printed. They change with the day they are made on, and
with Chromium.
"""

import asyncio
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parent / "support"))

import pypdfium2
from browser import ROOT, chromium, device, sign_in
from measured import make_store, week
from station_page import MIRA, Serving, household

from collector.service.config import SYSTEM_STORE
from collector.service.listener_lock import only_listener
from collector.store import people
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.people import loans, page_devices
from collector.store.people.loan_states import State
from collector.store.people.page_devices import Role

PICTURES = ROOT / "docs/pictures"


USUAL_PLACE = """([path, usual]) => {
    const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (texts.nextNode()) texts.currentNode.data = texts.currentNode.data.replaceAll(path, usual);
}"""
"""Not the folder that this happened to be made in."""


def lend(store: Store, now: datetime) -> None:
    """Two invented cuffs in the lending stock, one of them lent."""
    for number, address in enumerate(("C0:FF:EE:00:00:0A", "C0:FF:EE:00:00:0B"), 1):
        cuffs.remember(store, address, now)
        cuffs.name(store, address, f"clinic-{number}", now)
        loans.set_state(store, address, State.AVAILABLE, now - timedelta(days=9))
    loans.lend(store, "clinic-1", "B-117", ("any",), now)


def draw_report(folder: Path) -> None:
    """Two invented weeks of an invented person up to yesterday, as the command writes them; 900 pixels wide."""
    first = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=14)
    store = make_store(folder / "report.db", [*week(first, 138, 86, days=14)], {"mira": 1})
    command = [sys.executable, "-m", "collector.cli.main", "--store", str(store), "report", "mira", "--output", "-"]
    page = pypdfium2.PdfDocument(subprocess.run(command, check=True, capture_output=True).stdout)[0]
    picture = page.render(scale=900 / page.get_width()).to_pil().convert("L").quantize(16)
    picture.save(PICTURES / "report.png", optimize=True)


async def main() -> None:
    PICTURES.mkdir(exist_ok=True)
    os.umask(0o077)  # a store that the product makes is its owner's alone
    now = datetime.now(UTC)
    with (
        TemporaryDirectory() as place,
        household(Path(place) / "station.db", now) as store,
        only_listener(store.path),
        Serving(store.path) as page,
    ):
        lend(store, now)
        draw_report(Path(place))
        link = f"{page.base}/in/{page_devices.invite(store, MIRA, Role.KEEPER, now)}"
        row = people.need(store, MIRA).row
        async with chromium() as browser, device(browser) as (_, screen):
            await sign_in(screen, link)
            for name in ("today", "measure", "readings", "time", "visit"):
                await screen.goto(f"{page.base}/p/{row}/{name}")
                await screen.screenshot(path=PICTURES / f"{name}.png", animations="disabled", caret="hide")
            for name in ("nobody", "cuffs", "station", "desk"):
                await screen.goto(f"{page.base}/{name}")
                await screen.evaluate(USUAL_PLACE, [str(store.path), str(SYSTEM_STORE)])
                await screen.screenshot(path=PICTURES / f"{name}.png", animations="disabled", caret="hide")
    print(f"{len(list(PICTURES.glob('*.png')))} pictures in {PICTURES}")


if __name__ == "__main__":
    asyncio.run(main())
