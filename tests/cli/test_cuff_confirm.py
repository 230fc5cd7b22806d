"""A bond made anew is told in `check` and `cuff list`, and its readings count once a person has confirmed it."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

from typer.testing import Result

from collector import intake
from collector.intake.sources.hand_log import HandRow
from collector.intake.take_log import take_log
from collector.store import journal, people, readings
from collector.store.journal import visits
from collector.store.opening import open_store
from collector.store.people import slot_spans
from collector.store.values import HAND_COPY
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


def test_a_reading_written_down_counts_as_long_as_the_cuffs_does_not(tmp_path: Path, quietcuff: Run) -> None:
    """Else neither would, until somebody confirms the bond."""
    path = tmp_path / "s.db"

    def written_marks() -> tuple[str, ...]:
        with open_store(path) as store:
            before = list(readings.select(store))
            intake.rebuild(store)
            assert list(readings.select(store)) == before
            return next(one.marks for one in before if one.cuff == "hand")

    come(path, 3, 120)
    with open_store(path) as store:
        at = datetime.now(UTC).replace(hour=7, minute=0, second=0, microsecond=0) - timedelta(days=2)
        take_log(store, [HandRow(at, Decimal(170), Decimal(80), person="Ada")], datetime.now(UTC))
    come(path, 2, 170, renewed=True, held=True)
    assert written_marks() == ()
    assert quietcuff("--store", str(path), "cuff", "confirm", CUFF).exit_code == 0
    assert written_marks() == (HAND_COPY,)


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
