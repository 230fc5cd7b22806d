"""Every page: its links lead somewhere, its commands are understood, its configuration and scripts are there."""

import re
import shlex
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from collector.cli.main import COMMANDS, front
from collector.service.config import parse

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
NAMES = [str(page.relative_to(ROOT)) for page in PAGES]
SHELL = re.compile(r"^```(?:sh|console|)\n(.*?)^```", re.S | re.M)
CONFIGURATION = re.compile(r"^```toml\n(.*?)^```", re.S | re.M)


def anchors(page: Path) -> set[str]:
    """How a heading is linked to: lower case, blanks as dashes, other signs dropped (common practice, no source)."""
    headings = re.findall(r"^#+ +(.+)$", page.read_text("utf-8"), re.M)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def commands(page: Path) -> list[list[str]]:
    """What stands behind `quietcuff` in shell blocks and in code within the text, without redirections."""
    text = page.read_text("utf-8")
    lines = [line for block in SHELL.findall(text) for line in block.replace("\\\n", " ").splitlines()]
    lines += re.findall(r"`(quietcuff [^`\n]+)`", text)
    found = []
    for line in lines:
        called = re.search(r"(?:^|\s|/)quietcuff((?: [^|>&;#]+)?)", line)
        others = r"\s*(?:#|sudo (?:apt|install|adduser|chown|mkdir)|pip|git|journalctl|systemctl)"
        if called and not re.match(others, line):
            found.append(shlex.split(called[1]))
    return [args for args in found if args and (args[0] in COMMANDS or args[0].startswith("-"))]


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
def test_commands_are_understood(page: Path) -> None:
    for args in commands(page):
        result = CliRunner().invoke(front(), [*args, "--help"])
        assert result.exit_code == 0, (page.name, args, result.output)


def test_the_pages_are_full_of_commands() -> None:
    """Else the test above looks at nothing."""
    assert sum(len(commands(page)) for page in PAGES) > 35


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_configuration_is_accepted(page: Path) -> None:
    for text in CONFIGURATION.findall(page.read_text("utf-8")):
        tomllib.loads(text)
        parse(text)


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_scripts_and_tests_exist(page: Path) -> None:
    rooms = r"(?<![\w/.])((?:tests|systemd|fixtures|collector|parsers)/[\w./-]+\w)"
    for path in re.findall(rooms, page.read_text("utf-8")):
        assert (ROOT / path).exists() or list(ROOT.glob(path + "*")), f"{page.name}: {path}"
