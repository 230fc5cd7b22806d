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


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_named_tests_exist(page: Path) -> None:
    """`test_visit.py::TestStoredRecords`, with the folder or without: the file is there, and what is named in it."""
    named = r"`((?:tests/[\w/]+/)?)(test_\w+\.py)?((?:::\w+)*)`"
    for line in page.read_text("utf-8").splitlines():
        before = ("", "")
        for folder, name, inside in re.findall(named, line):
            if not name and not inside:
                continue
            folder, name = before = (folder, name) if name else before  # `::another` of the same file
            files = [ROOT / folder / name] if folder else list((ROOT / "tests").rglob(name))
            assert files, f"{page.name}: {name}{inside}"
            for one in inside.split("::")[1:]:
                defined = re.compile(rf"^ *(?:async def|def|class) {one}\b", re.M)
                assert any(defined.search(file.read_text("utf-8")) for file in files), f"{page.name}: {name}{inside}"


def test_each_threat_names_its_tests() -> None:
    (table,) = (part for part in (ROOT / "docs/SECURITY.md").read_text("utf-8").split("\n## ") if "| threat |" in part)
    for threat, _, tested in rows(table)[1:]:
        assert re.search(r"`tests/[\w/]*test_\w+\.py`", tested), threat


MADE_BY_HAND = ("docs/CHANGELOG.md", "tests/test_pages.py")


def test_a_paper_is_cited_with_its_place() -> None:
    """Year, volume and page, or a number in PubMed Central; else it says what was not looked up."""
    place = re.compile(r"\d{4};\d+|PMC\d+|from memory|not looked up|Report \d")
    found = 0
    for folder in ("collector", "parsers", "docs", "tests", "fixtures"):
        for path in (ROOT / folder).rglob("*.*"):
            if path.suffix not in (".py", ".md", ".json") or str(path.relative_to(ROOT)) in MADE_BY_HAND:
                continue
            text = " ".join(line.strip().strip('"#') for line in path.read_text("utf-8").splitlines())
            for paper in re.finditer(r"[A-Z][a-z]+ (and others\b|and [A-Z][a-z]+ (19|20)\d\d\b)", text):
                found += 1
                cited = text[paper.start() : paper.end() + 170]
                assert place.search(cited), f"{path.relative_to(ROOT)}: {cited}"
    assert found > 20


def rows(text: str) -> list[list[str]]:
    """The cells of each row of each table."""
    lines = [line.strip() for line in text.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines if not line.startswith("|---")]


def test_what_the_standards_page_calls_done_names_its_test() -> None:
    """A row says 'not done' or 'never' in so many words, or names a test; and what is not done names none."""
    text = (ROOT / "docs/standards.md").read_text("utf-8")
    formats, procedures = (text.split(f"## {head}")[1].split("\n## ")[0] for head in ("Formats", "Procedures"))
    for what, state, tested in rows(formats)[1:]:
        done = not state.startswith("not done")
        assert done == bool(re.search(r"`(test_\w+\.py|vectors/\w+\.json)", tested)), what
    for what, where, tested in rows(procedures)[1:]:
        done = not where.startswith(("not done", "never"))
        assert done == bool(re.search(r"test_\w+\.py", tested)), what


def test_the_vectors_that_the_standards_page_names_are_there_and_used() -> None:
    text = (ROOT / "docs/standards.md").read_text("utf-8")
    used = "".join(path.read_text("utf-8") for path in (ROOT / "tests/standards").glob("*.py"))
    used += "".join(path.read_text("utf-8") for path in (ROOT / "tests/parsers").glob("*.py"))
    named = {*re.findall(r"`?(?:vectors/)?(\w+\.json)`", text)}
    assert named
    for name in sorted(named):
        assert (ROOT / "fixtures/vectors" / name).exists(), name
        assert name.removesuffix(".json") in used, f"{name} is read by no test"
