"""Figures on the pages: each has its command, and those that cost little are had again here."""

import re
import subprocess
import sys
from math import sqrt
from pathlib import Path

import pytest
from measured import MONDAY, make_store, week
from pages import PAGES, ROOT

from collector.numbers.usual import DIASTOLIC, SYSTOLIC, DayMeans, Parts, slow_part, usual

MEASURED = ("performance", "reliability", "time")
COMMAND = re.compile(r"python (?:-m pytest|-X|tests/)|`tests/[\w/]+\.py`")
FIGURE = re.compile(r"\d (?:µs|ms|kB|MB|GB|KiB|MiB)\b|\d ×")
OTHER = re.compile(r"`ls -l|`pip download|pip download --|measured once|the bench below")
"""Another command, or in so many words that it cannot be had again: libraries that were looked at and not taken."""
NOT_MEASURED = (
    "1 MB of answer",
    "answer no more than 1 MB",
    "slow cores, 512 MB",
    "60 ms of every 60",
    "should not carry 100 MB",
)
COUNT = """
import sys
from collector.cli.main import run
try:
    run()
except SystemExit:
    pass
named = {name for name in sys.modules if name.partition(".")[0] not in sys.stdlib_module_names}
print("MODULES", len({name for name in named if name != "__main__"}))
"""


def page(name: str) -> str:
    return (ROOT / f"docs/{name}.md").read_text("utf-8")


@pytest.mark.parametrize("name", MEASURED)
def test_a_table_of_figures_names_its_command(name: str) -> None:
    _, *sections = re.split(r"^## ", page(name), flags=re.M)
    measured = [section for section in sections if re.search(r"^\|.*\d.*\|$", section, re.M)]
    assert measured
    assert not [section.splitlines()[0] for section in measured if not COMMAND.search(section)]


@pytest.mark.parametrize("page", [page for page in PAGES if page.name != "CHANGELOG.md"], ids=lambda page: page.stem)
def test_a_measured_figure_names_its_command(page: Path) -> None:
    """In its section; of a decision, in its own paragraph."""
    parts = r"\n\n|\n- " if page.parent.name == "decisions" else r"^#+ "
    for part in re.split(parts, page.read_text("utf-8"), flags=re.M):
        lines = [line for line in part.splitlines() if FIGURE.search(line)]
        lines = [line for line in lines if not any(limit in line for limit in NOT_MEASURED)]
        assert not lines or COMMAND.search(part) or OTHER.search(part), f"{page.name}: {lines[0]}"


def modules(*words: str) -> int:
    """Loaded by the command, without those of Python itself: ours, and the libraries'."""
    done = subprocess.run([sys.executable, "-c", COUNT, *words], capture_output=True, text=True)
    return int(done.stdout.split("MODULES ")[1])


def test_commands_load_what_the_page_says(tmp_path: Path) -> None:
    """Within a tenth, or a few: another release of a library, or of Python, may have a module more."""
    home = str(make_store(tmp_path / "home.db", week(MONDAY, 138, 86), {}))
    rows = dict(re.findall(r"^\| (`[^|]+`) \| (\d+) \|", page("performance"), re.M))
    commands = {
        "`--version`": ["--version"],
        "`readings`": ["--store", home, "readings"],
        "`average`": ["--store", home, "average", "mira"],
        "`decode`": ["decode", "2a35", "0680005400ff07ea070b1b00171d4200"],
        "`check`": ["--store", home, "check"],
    }
    assert rows.keys() == commands.keys()
    for name, words in commands.items():
        assert modules(*words) == pytest.approx(int(rows[name]), rel=0.1, abs=8), name


def reach(days: list[int], parts: Parts) -> float:
    """Half the 95 % interval of somebody whose days are as spread as studies have them, measured as protocols ask."""
    sd = sqrt(parts.variance_of_day(2, 4) * (len(days) - 1) / len(days))
    means = tuple(130.0 + (sd if number % 2 else -sd) for number in range(len(days)))
    return usual(DayMeans(means, tuple(days), sessions=2, readings=4), parts).reach


def test_how_sure_the_physicians_page_says_a_week_makes() -> None:
    text = " ".join(page("physician").split())
    said = re.search(
        r"A week in a row gives about ([\d./]+) either way, four weeks in a row ([\d./]+), "
        r"a week a month for four months ([\d./]+):",
        text,
    )
    assert said
    plans = [list(range(6)), list(range(28)), [month * 30 + day for month in range(4) for day in range(6)]]
    for plan, words in zip(plans, said.groups(), strict=True):
        found = [float(word) for word in words.split("/")]
        assert [reach(plan, SYSTOLIC), reach(plan, DIASTOLIC)] == pytest.approx(found, abs=0.5)


def test_the_model_gives_the_day_to_day_spread_that_its_page_says() -> None:
    """Of one morning reading on each day of four weeks, the drift of these weeks within."""
    said = re.search(r"^\| Ohasama, .* \| ([\d.]+) / ([\d.]+) \|$", page("decisions/averages"), re.M)
    assert said
    days = range(28)
    drift = (1 - slow_part(days)) * len(days) / (len(days) - 1)
    found = [sqrt(parts.variance_of_day(1, 1) + parts.slow**2 * drift) for parts in (SYSTOLIC, DIASTOLIC)]
    assert found == pytest.approx([float(word) for word in said.groups()], abs=0.05)
