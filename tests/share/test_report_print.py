"""The HTML report printed by a real browser: one page on both papers. Needs Chromium and playwright."""

import shutil
from collections.abc import Iterator
from io import BytesIO
from typing import Any

import pypdfium2
import pytest
from playwright.sync_api import sync_playwright
from reportcases import CASES

from collector.share.report import render_html

pytestmark = pytest.mark.system
CHROMIUM = shutil.which("chromium")


@pytest.fixture(scope="module")
def page() -> Iterator[Any]:
    assert CHROMIUM, "apt install chromium"
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser.new_page()
        browser.close()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", list(CASES))
def test_it_prints_on_one_page(page: Any, name: str, paper: str) -> None:
    data = CASES[name]()
    page.set_content(render_html(data))
    printed = pypdfium2.PdfDocument(BytesIO(page.pdf(format=paper, prefer_css_page_size=False)))
    assert len(printed) == 1
    text = " ".join(printed[0].get_textpage().get_text_range().split())
    assert "Change no medicine on your own" in text
    assert "Source:" in text
    for part in data.who.split() if name != "far_scripts" else ["Нина"]:  # joined letters come back in pieces
        assert part in text
