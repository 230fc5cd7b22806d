"""The pages on installing, privacy and troubleshooting say what is so: commands, files, keys, topics."""

import re
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from collector.cli.main import COMMANDS
from collector.service.config import parse

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "docs" / name for name in ("install.md", "privacy.md", "troubleshooting.md", "performance.md")]


def text(page: Path) -> str:
    return page.read_text("utf-8")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_command_line_is_understood(page: Path, quietcuff: Callable[..., Result]) -> None:
    """On an empty machine each may fail, but none for how it was asked."""
    blocks = re.findall(r"^ *```\w*\n(.*?)^ *```", text(page), re.S | re.M)
    lines = [line.strip() for block in blocks for line in block.splitlines() if line.strip().startswith("quietcuff ")]
    lines += re.findall(r"`(quietcuff [^`…]+)`", text(page))
    for line in lines:
        args = shlex.split(line.replace("ADDRESS", "C0:FF:EE:00:00:01"))[1:]
        if args[0] in ("listen", "decode") or args in (["cuff", "forget"], ["cuff", "add"], ["person"]):
            args = [*args, "--help"]
        result = quietcuff(*args)
        assert result.exit_code != 2, (line, result.stderr)
        assert args[0] in COMMANDS


def test_every_file_that_is_named_is_there() -> None:
    for page in PAGES:
        for name in re.findall(r"(?<![\w/])((?:systemd|tests|collector)/[\w./-]+\.\w+)", text(page)):
            assert (ROOT / name).exists(), (page.name, name)
        for link in re.findall(r"\]\(([\w./-]+\.md)\)", text(page)):
            assert (page.parent / link).exists(), (page.name, link)


def test_toml_and_keys_are_ones_that_exist() -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", text(ROOT / "docs/install.md"), re.S)
    assert parse(block).backup.keep == 30
    for page in PAGES:
        for assignment, section in re.findall(r"`(\w+ = [^`…]+)` under `\[(\w+)\]`", text(page)):
            parse(f"[{section}]\n{assignment}")


def test_every_topic_of_check_stands_in_the_table() -> None:
    told = set()
    for file in [*(ROOT / "collector/cli/checks").glob("*.py"), ROOT / "collector/cli/check.py"]:
        told |= set(re.findall(r"(?:fine|attention|broken)\(\s*\"([\w -]+)\"", text(file)))
    told |= set(re.findall(r"Notice\(\s*\"([\w -]+)\"", text(ROOT / "collector/service/notices/rules.py")))
    for file in (ROOT / "collector").rglob("*.py"):
        told |= set(re.findall(r"\.tell\((?:self\._store, |store, |opened, )?\"([\w -]+)\"", text(file)))
    rows = re.findall(r"^\| ([\w, -]+?) \|", text(ROOT / "docs/troubleshooting.md"), re.M)
    named = {topic for row in rows for topic in row.split(", ")}
    assert len(told) > 20
    assert told - {"service"} <= named


def test_the_unit_is_as_the_page_says() -> None:
    unit = text(ROOT / "systemd/quietcuff.service")
    for said in ("IPAddressDeny=any", "NoNewPrivileges=yes", "adjtimex", "WatchdogSec=60", "RestartSec=10"):
        assert said in unit
