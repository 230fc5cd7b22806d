"""The project's pages as a reader takes them: blocks with their language, and what to type."""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
NAMES = [str(page.relative_to(ROOT)) for page in PAGES]
SHELL = ("", "sh", "console")


def blocks(page: Path) -> Iterator[tuple[str, str]]:
    """Each fenced block: its language and its text. Line by line, since a closing fence looks like an opening one."""
    language: str | None = None
    inside: list[str] = []
    for line in page.read_text("utf-8").splitlines():
        fence = re.match(r" *```(\w*)\s*$", line)
        if fence is None:
            inside.append(line)
        elif language is None:
            language, inside = fence[1], []
        else:
            yield language, "\n".join(inside)
            language = None
    assert language is None, f"{page.name}: a block without end"


def shell_lines(page: Path) -> list[str]:
    """What is to be typed: lines of shell blocks, joined where they go on. With '$ ' before some, only those are."""
    found: list[str] = []
    for language, text in blocks(page):
        if language in SHELL:
            lines = [line.strip() for line in text.replace("\\\n", " ").splitlines()]
            typed = [line.removeprefix("$ ") for line in lines if line.startswith("$ ")]
            found += typed or [line for line in lines if line and not line.startswith("#")]
    return found


def commands(page: Path) -> list[list[str]]:
    """The arguments of every `quietcuff` in shell blocks, without redirections."""
    return _arguments(shell_lines(page))


def mentions(page: Path) -> list[list[str]]:
    """The same of code within the text, which may be a command's bare name."""
    text = re.sub(r"^ *```.*?^ *```", "", page.read_text("utf-8"), flags=re.S | re.M)
    return _arguments(re.findall(r"`(quietcuff [^`\n]+)`", text))


def _arguments(lines: list[str]) -> list[list[str]]:
    found = []
    for line in lines:
        for piece in re.split(r"&&|\||;", line.partition(" #")[0]):
            words = shlex.split(re.sub(r"\s[12]?>.*", "", piece)) if "quietcuff" in piece else []
            if words[:1] == ["sudo"]:
                words = words[3:] if words[1] == "-u" else words[1:]
            if words and words[0].rpartition("/")[2] == "quietcuff" and len(words) > 1:
                found.append(words[1:])
    return found
