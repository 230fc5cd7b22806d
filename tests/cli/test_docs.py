"""What the guides show is what the command line says."""

import re
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest
from measured import MONDAY, make_store, week
from typer.testing import Result

from collector.cli.main import COMMANDS
from collector.service.config import parse
from collector.service.plans import in_force
from collector.share.rows import FIELDS

DOCS = Path(__file__).parents[2] / "docs"
GUIDES = [DOCS / "household.md", DOCS / "tinkerer.md", DOCS / "physician.md"]
LATER: set[str] = set()  # commands that the guides name before they are here


def blocks(guide: Path) -> list[str]:
    found = re.findall(r"^```(\w*)\n(.*?)^```", guide.read_text("utf-8"), re.S | re.M)
    return [text for language, text in found if not language]


def command_lines(guide: Path) -> list[str]:
    return [line.removeprefix("$ ") for block in blocks(guide) for line in block.splitlines()
            if line.removeprefix("$ ").startswith("quietcuff ")]


@pytest.mark.parametrize("guide", GUIDES, ids=lambda guide: guide.stem)
def test_every_command_line_in_a_guide_is_one_that_is_understood(
        guide: Path, quietcuff: Callable[..., Result]) -> None:
    """Run on an empty machine, each may fail, but none for how it was asked."""
    lines = command_lines(guide)
    assert len(lines) >= 8
    for line in lines:
        args = shlex.split(re.split(r" [|>] ", line)[0])[1:]
        if args[0] not in LATER | {"decode"}:
            result = quietcuff(*args)
            assert result.exit_code != 2, (line, result.stderr)


def test_named_commands_exist() -> None:
    for guide in GUIDES:
        for name in re.findall(r"quietcuff ([a-z]+)", guide.read_text("utf-8")):
            assert name in COMMANDS or name in LATER or name == "quietcuff", name


def test_the_decoded_payload_is_what_decode_says(quietcuff: Callable[..., Result]) -> None:
    (block,) = [block for block in blocks(DOCS / "tinkerer.md") if "$ quietcuff decode" in block]
    line, *shown = block.splitlines()
    assert quietcuff(*shlex.split(line.removeprefix("$ quietcuff "))).stdout.splitlines() == shown


def test_the_table_of_fields_names_them_all_in_their_order() -> None:
    table = (DOCS / "tinkerer.md").read_text("utf-8").split("| field |")[1].split("\n\n")[0]
    names = [name for row in table.splitlines()[2:] for name in re.findall(r"`(\w+)`", row.split("|")[1])]
    assert tuple(names) == FIELDS


def test_the_average_in_the_guide_is_what_average_says(quietcuff: Callable[..., Result], tmp_path: Path) -> None:
    store = make_store(tmp_path / "week.db", [*week(MONDAY, 138, 86)], {"mira": 1})
    (block,) = [block for block in blocks(DOCS / "physician.md") if "$ quietcuff average" in block]
    line, *shown = block.splitlines()
    result = quietcuff("--store", str(store), *shlex.split(line.removeprefix("$ quietcuff ")))
    assert result.stdout.splitlines() == shown


def test_the_plan_in_the_physicians_guide_is_one() -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", (DOCS / "physician.md").read_text("utf-8"), re.S)
    rules, plan = in_force(parse(text), "mira")
    assert (rules.name, rules.min_readings_used, plan.atrial_fibrillation) == ("ward-5", 16, True)


def test_the_configuration_in_the_guide_is_one() -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", (DOCS / "household.md").read_text("utf-8"), re.S)
    assert parse(text).station.emergency_number == "112"
