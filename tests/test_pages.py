"""Every page: its links lead somewhere, its configuration is accepted, its scripts are there.

Its commands are run by tests/cli/test_pages_run.py.
"""

import re
import tomllib
from pathlib import Path

import pytest
from pages import NAMES, PAGES, ROOT, blocks

from collector.service.config import parse


def anchors(page: Path) -> set[str]:
    """How a heading is linked to: lower case, blanks as dashes, other signs dropped (common practice, no source)."""
    headings = re.findall(r"^#+ +(.+)$", page.read_text("utf-8"), re.M)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text("utf-8")):
        if re.match(r"https?://|mailto:", target):
            continue
        path, _, anchor = target.partition("#")
        file = (page.parent / path).resolve() if path else page
        assert file.exists(), f"{page.name}: {target}"
        if anchor and file.suffix == ".md":
            assert anchor in anchors(file), f"{page.name}: {target}"


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_configuration_is_accepted(page: Path) -> None:
    for language, text in blocks(page):
        if language == "toml":
            tomllib.loads(text)
            parse(text)


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_scripts_and_tests_exist(page: Path) -> None:
    rooms = r"(?<![\w/.])((?:tests|systemd|fixtures|collector|parsers)/[\w./-]+\w)"
    for path in re.findall(rooms, page.read_text("utf-8")):
        assert (ROOT / path).exists() or list(ROOT.glob(path + "*")), f"{page.name}: {path}"
