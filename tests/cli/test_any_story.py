"""Whatever a household with two stations does through the commands, `rebuild` finds every reading as it stands.

Nothing that was said, moved or taken away later is forgotten by what was worked out before. Everybody is invented.

The long form plays 2,000 stories, half an hour: `python -m pytest -m long tests/cli/test_any_story.py`.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest
from typer.testing import Result

from collector import intake
from collector.store import journal, open_store, people
from collector.store.journal import stations, visits
from parsers.measurement import build_measurement, measurement
from parsers.stamps import build_current_time

Run = Callable[..., Result]
START = datetime(2026, 3, 1, 8, tzinfo=UTC)
NAMES = ("Ada", "Bo", "Cy", "Di")
CUFFS = ("C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02")
SLOTS = ("1", "2", "none", "any")
DEEDS = ("visit", "visit", "log", "log", "log", "claim", "release", "strike", "standing", "count", "correct", "correct",
         "as it came", "rename", "unite", "give", "end", "take back", "erase", "merge", "merge", "lend", "mark",
         "exported", "rebuild")  # fmt: skip
OF_ONE = ("claim", "release", "strike", "standing", "count", "correct", "as it came")


@dataclass
class Station:
    """Its store, and what the cuffs that it hears have sent."""

    path: Path
    quietcuff: Run
    chance: Random
    now: datetime = START
    clock_off: dict[str, int] = field(default_factory=dict)
    sent: dict[str, list[bytes]] = field(default_factory=lambda: {cuff: [] for cuff in CUFFS})
    told: list[str] = field(default_factory=list)

    def begin(self) -> None:
        with open_store(self.path) as store:
            stations.set_zone(store, "Europe/Berlin", datetime(2020, 1, 1, tzinfo=UTC))
            for name in self.chance.sample(NAMES, 2):
                people.add(store, name, START)
        for cuff in CUFFS:
            self.clock_off[cuff] = self.chance.choice((0, 0, 60, -60, -5_000_000))
            self.visit(cuff)

    def run(self, *words: object) -> Result:
        """A refusal is part of life; only a traceback is none."""
        self.told.append(" ".join(map(str, words)))
        result = self.quietcuff("--store", str(self.path), *map(str, words))
        assert result.exception is None or isinstance(result.exception, SystemExit), "\n".join(self.told)
        return result

    def readings(self) -> list[dict[str, Any]]:
        lines = self.quietcuff("--store", str(self.path), "readings", "--json").stdout.splitlines()
        return [json.loads(line) for line in sorted(lines)]

    def visit(self, cuff: str) -> None:
        chance = self.chance
        self.told.append(f"visit of {cuff}")
        self.now += timedelta(minutes=chance.choice((1, 5, 60, 700, 1440)))
        shown = (self.now + timedelta(minutes=self.clock_off[cuff])).replace(tzinfo=None)
        new = []
        for _ in range(chance.randint(0, 3)):
            taken = shown - timedelta(minutes=chance.choice((0, 0, 1, 30, 600, 3000)))
            stamp, slot = chance.choice((taken, taken, taken, None)), chance.choice((None, 1, 2))
            new.append(build_measurement(measurement(chance.randint(110, 112), 80, stamp=stamp, user_id=slot)))
        again = chance.sample(self.sent[cuff], min(len(self.sent[cuff]), chance.randint(0, 2)))
        self.sent[cuff] += new
        with open_store(self.path) as store:
            visit = visits.open_visit(store, cuff, "virtual", self.now)
            if chance.random() < 0.6:
                visits.learn_value(store, visit, 0x2A2B, build_current_time(shown), self.now, 0.1)
            for value in new + again:
                self.now += timedelta(seconds=1)
                added = journal.append(
                    store, cuff=cuff, characteristic=0x2A35, value=value, arrived_at=self.now, source="virtual",
                    visit=visit, mark=self.now.isoformat()
                )  # fmt: skip
                intake.interpret(store, added.payload)
            visits.close_visit(store, visit, self.now, "cuff left")
            intake.settle(store, visit)

    def do(self, deed: str, other: "Station") -> None:
        chance, found = self.chance, self.readings()
        with open_store(self.path) as store:
            names = [person.name for person in people.every(store)]
        who, second = (chance.choice(names), chance.choice(names)) if names else (NAMES[0], NAMES[1])
        cuff, slot = chance.choice(CUFFS), chance.choice(SLOTS)
        if deed in OF_ONE and found:
            self.say_of_one(deed, str(chance.choice(found)["reading_id"]), who)
        elif deed == "log":
            self.take_log(found, who)
        elif deed == "exported":
            self.take_export(other)
        else:
            words: dict[str, tuple[object, ...]] = {
                "rename": ("person", "rename", who, chance.choice(NAMES)),
                "unite": ("person", "unite", who, second, "--yes"),
                "give": ("person", "give", who, "--cuff", cuff, "--slot", slot),
                "end": ("person", "end", who, "--cuff", cuff, "--slot", slot),
                "take back": ("person", "take-back", who, "--cuff", cuff, "--slot", slot),
                "erase": ("person", "erase", who, "--yes"),
                "merge": ("merge", other.path),
                "lend": ("loan", "out", cuff, "--to", f"B-{chance.randint(1, 2)}"),
                "mark": ("loan", "mark", cuff, chance.choice(("lost", "available"))),
                "rebuild": ("rebuild",),
            }
            self.run(*words[deed]) if deed in words else self.visit(cuff)

    def say_of_one(self, deed: str, reading: str, who: str) -> None:
        moment = START + timedelta(days=self.chance.randint(0, 2), minutes=self.chance.randint(0, 3))
        right = self.chance.choice((("--systolic", 113), ("--pulse", 62), ("--taken-at", moment.isoformat())))
        words: dict[str, tuple[object, ...]] = {
            "claim": ("person", "claim", who, reading),
            "release": ("person", "release", reading),
            "strike": ("strike", reading),
            "standing": ("strike", "--standing", reading),
            "count": ("strike", "--undo", reading),
            "correct": ("correct", reading, *right),
            "as it came": ("correct", "--undo", reading),
        }
        self.run(*words[deed])

    def take_log(self, found: list[dict[str, Any]], who: str) -> None:
        """Lines of the next minutes, and some that say what a reading says that is here."""
        lines = ["taken_at,systolic,diastolic,pulse,person"]
        for _ in range(self.chance.randint(1, 3)):
            taken, systolic = START + timedelta(days=self.chance.randint(0, 2)), self.chance.randint(110, 112)
            if found and self.chance.random() < 0.6:
                one = self.chance.choice(found)
                taken, systolic = datetime.fromisoformat(one["taken_at"]), one["systolic"]
                taken += timedelta(seconds=self.chance.choice((0, 0, 30, -59, 61)))
            pulse, whose = self.chance.choice(("", 60, 61)), self.chance.choice((who, who, ""))
            lines.append(f"{taken.isoformat()},{systolic},80,{pulse},{whose}")
        self.told += lines
        file = self.path.with_suffix(".csv")
        file.write_text("\n".join(lines) + "\n")
        self.run("import", file, "--skip-bad")

    def take_export(self, other: "Station") -> None:
        file = self.path.with_suffix(".ndjson")
        file.write_text(other.run("export", "--to", "ndjson").stdout)
        if file.stat().st_size:
            self.run("import", file, "--skip-bad")


def play(quietcuff: Run, folder: Path, seed: int) -> None:
    chance = Random(seed)
    folder.mkdir()
    first, second = (Station(folder / f"{name}.db", quietcuff, chance) for name in ("first", "second"))
    for station in (first, second):
        station.begin()
    for _ in range(chance.randint(8, 30)):
        station, other = chance.choice(((first, second), (first, second), (second, first)))
        station.do(chance.choice(DEEDS), other)
    for station in (first, second):
        before = station.readings()
        station.run("rebuild")
        assert station.readings() == before, "\n".join((f"story {seed}", *station.told))


def test_a_few_stories(quietcuff: Run, tmp_path: Path) -> None:
    for seed in range(5):
        play(quietcuff, tmp_path / str(seed), seed)


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_many_stories(quietcuff: Run, tmp_path: Path) -> None:
    for seed in range(10_000, 12_000):
        play(quietcuff, tmp_path / str(seed), seed)
