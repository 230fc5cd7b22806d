"""A bond made anew is told in `check` and `cuff list`, and its readings count once a person has confirmed it."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from typer.testing import Result

from collector import intake
from collector.store import journal, people
from collector.store.journal import visits
from collector.store.opening import open_store
from collector.store.people import slot_spans
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime

Run = Callable[..., Result]
CUFF = "C0:FF:EE:00:00:09"


def come(path: Path, days_ago: int, systolic: int, **bond: object) -> None:
    at = datetime.now(UTC).replace(hour=7, minute=0) - timedelta(days=days_ago)
    with open_store(path) as store:
        visit = visits.open_visit(store, CUFF, "virtual", at)
        visits.learn_bond(store, visit, True, "cuff" if bond else None, at, **bond)
        value = build_measurement(measurement(systolic, 80, 95, stamp=DateTime.of(at.replace(tzinfo=None))))
        journal.append(
            store, cuff=CUFF, characteristic=0x2A35, value=value, arrived_at=at, source="virtual", visit=visit
        )
        visits.close_visit(store, visit, at, "cuff left")
        people.add(store, "Ada", at) if days_ago == 3 else None
        slot_spans.add(store, "Ada", CUFF, None, at - timedelta(days=9)) if days_ago == 3 else None
        intake.catch_up(store)
        intake.reassign(store, cuff=CUFF)


def test_told_left_out_and_confirmed(tmp_path: Path, quietcuff: Run) -> None:
    path = tmp_path / "s.db"
    come(path, 3, 120)
    store = ("--store", str(path))
    assert quietcuff(*store, "cuff", "confirm", CUFF).exit_code
    come(path, 2, 170, renewed=True, held=True)
    assert "bond renewed" in quietcuff(*store, "cuff", "list").stdout
    checked = quietcuff(*store, "check", "--quick").stdout
    assert f"quietcuff cuff confirm {CUFF}" in checked.replace("\n", " ").replace("  ", " ")
    averaged = quietcuff(*store, "average", "Ada", "--readings").stdout
    assert "bond not confirmed" in averaged
    rows = quietcuff(*store, "readings", "--json").stdout.splitlines()
    assert ["bond renewed" in json.loads(row)["marks"] for row in rows] == [False, True]

    assert "1 reading marked" in quietcuff(*store, "cuff", "confirm", CUFF).stderr
    assert "bond renewed" not in quietcuff(*store, "cuff", "list").stdout
    assert "cuff confirm" not in quietcuff(*store, "check", "--quick").stdout
    assert "bond not confirmed" not in quietcuff(*store, "average", "Ada", "--readings").stdout
