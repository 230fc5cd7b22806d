"""What the guides show is what the command line says."""

import shlex
from collections.abc import Callable
from pathlib import Path

from measured import MONDAY, make_store, week
from pages import ROOT, blocks
from typer.testing import Result

from collector.service.config import parse
from collector.service.config.plans import in_force

DOCS = ROOT / "docs"


def test_the_decoded_payload_is_what_decode_says(quietcuff: Callable[..., Result]) -> None:
    (block,) = [text for _, text in blocks(DOCS / "tinkerer.md") if "$ quietcuff decode" in text]
    line, *shown = block.splitlines()
    assert quietcuff(*shlex.split(line.removeprefix("$ quietcuff "))).stdout.splitlines() == shown


def test_the_average_in_the_guide_is_what_average_says(quietcuff: Callable[..., Result], tmp_path: Path) -> None:
    store = make_store(tmp_path / "week.db", [*week(MONDAY, 138, 86)], {"mira": 1})
    (block,) = [text for _, text in blocks(DOCS / "physician.md") if "$ quietcuff average" in text]
    line, *shown = block.splitlines()
    result = quietcuff("--store", str(store), *shlex.split(line.removeprefix("$ quietcuff ")))
    assert result.stdout.splitlines() == shown


def test_the_plan_in_the_physicians_guide_is_one() -> None:
    (text,) = [text for language, text in blocks(DOCS / "physician.md") if language == "toml"]
    rules, plan = in_force(parse(text), "mira")
    assert (rules.name, rules.min_readings_used, plan.atrial_fibrillation) == ("ward-5", 16, True)


def test_the_configuration_in_the_guide_is_one() -> None:
    (part,) = [parse(text) for language, text in blocks(DOCS / "household.md") if language == "toml"]
    assert part.station.emergency_number == "112"
