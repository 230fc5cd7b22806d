"""The pages on installing, privacy and troubleshooting say what is so: keys, topics, the unit."""

import json
import re
from datetime import datetime
from pathlib import Path

from pages import ROOT, blocks

from collector.service.config import parse
from collector.service.notices.channels import CommandChannel
from collector.service.notices.notice import Notice

PAGES = [ROOT / "docs" / name for name in ("install.md", "privacy.md", "troubleshooting.md", "performance.md")]


def text(page: Path) -> str:
    return page.read_text("utf-8")


def test_toml_and_keys_are_ones_that_exist() -> None:
    (block,) = [block for language, block in blocks(ROOT / "docs/install.md") if language == "toml"]
    assert parse(block).backup.keep == 30
    for page in PAGES:
        for assignment, section in re.findall(r"`(\w+ = [^`…]+)` under `\[(\w+)\]`", text(page)):
            parse(f"[{section}]\n{assignment}")


def test_every_topic_of_check_stands_in_the_table() -> None:
    told = set()
    for file in [*(ROOT / "collector/service/checks").glob("*.py"), ROOT / "collector/cli/check.py"]:
        told |= set(re.findall(r"(?:fine|attention|broken)\(\s*\"([\w -]+)\"", text(file)))
    told |= set(re.findall(r"Notice\(\s*\"([\w -]+)\"", text(ROOT / "collector/service/notices/standing.py")))
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


def test_the_notice_on_the_page_is_what_a_program_gets(tmp_path: Path) -> None:
    """Both lines, through the channel itself, from a program that writes down its standard input."""
    (block,) = [block for language, block in blocks(ROOT / "docs/install.md") if language == "json"]
    shown = [json.loads(line) for line in block.splitlines()]
    channel = CommandChannel(["/bin/sh", "-c", f"cat >> {tmp_path}/got"], 20, personal=False)
    told = shown[0]
    channel.begins(
        Notice(told["topic"], told["subject"], told["text"], told["remedy"]), datetime.fromisoformat(told["at"])
    )
    channel.over(f"{told['topic']}/{told['subject']}", datetime.fromisoformat(shown[1]["at"]))
    assert [json.loads(line) for line in (tmp_path / "got").read_text("utf-8").splitlines()] == shown
