"""Makes the pictures that the README shows, out of a store with two invented weeks of an invented person.

.venv/bin/python docs/pictures/make.py            # report.png
.venv/bin/python docs/pictures/make.py --page     # page.png as well, with Debian's chromium (and the extra `test`)
"""

import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests/support"))

import pypdfium2  # noqa: E402
from measured import MONDAY, make_store, week  # noqa: E402

PROGRAM = [sys.executable, "-m", "collector.cli.main"]
WIDE = 900  # pixels


def report(store: Path, out: Path) -> None:
    pdf = subprocess.run(
        [*PROGRAM, "--store", str(store), "report", "mira", "--output", "-"], check=True, capture_output=True
    ).stdout
    page = pypdfium2.PdfDocument(pdf)[0]
    page.render(scale=WIDE / page.get_width()).to_pil().convert("P", colors=32).save(out, optimize=True)


def page(store: Path, out: Path) -> None:
    from playwright.sync_api import sync_playwright

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    run = [*PROGRAM, "--store", str(store)]
    served = subprocess.Popen([*run, "page", "run", "--port", str(port)], stderr=subprocess.DEVNULL)
    try:
        while True:
            with socket.socket() as one:
                if one.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.2)
        told = subprocess.run([*run, "page", "invite", "mira"], check=True, capture_output=True, text=True).stdout
        link = next(word for word in told.split() if "/in/" in word)
        with sync_playwright() as browsers:
            browser = browsers.chromium.launch(executable_path="/usr/bin/chromium")
            shown = browser.new_page(viewport={"width": 480, "height": 800})
            shown.goto(f"http://127.0.0.1:{port}/in/{link.rpartition('/in/')[2]}")
            shown.get_by_role("button").first.click()
            shown.goto(f"http://127.0.0.1:{port}/")
            shown.screenshot(path=out)
            browser.close()
    finally:
        served.terminate()
        served.wait()


with tempfile.TemporaryDirectory() as scratch:
    store = make_store(Path(scratch) / "quietcuff.db", [*week(MONDAY, 138, 86, days=14)], {"mira": 1})
    report(store, Path(__file__).with_name("report.png"))
    if "--page" in sys.argv[1:]:
        page(store, Path(__file__).with_name("page.png"))
