"""`quietcuff retention`: a preview first, and only --apply takes anything away."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from typer.testing import Result

from collector.intake.pipeline import catch_up
from collector.store import journal
from collector.store.opening import open_store


def test_preview_apply_and_off(quietcuff: Callable[..., Result], household: Path) -> None:
    store = ("--store", str(household))
    assert quietcuff(*store, "retention").exit_code == 2, "off unless somebody says how many days"

    # The household's readings are of 2031: nothing of it is old, on a machine whose clock is right.
    found = quietcuff(*store, "retention", "--days", "1", "--json")
    assert found.exit_code == 0, found.stderr
    assert json.loads(found.stdout)["applied"] is False
    done = quietcuff(*store, "retention", "--days", "1", "--apply", "--clock-is-right")
    assert "no payload falls under the rule" in done.stderr
    assert quietcuff(*store, "check", "--quick", "--json").exit_code == 3


def test_a_rebuild_says_what_it_no_longer_has(quietcuff: Callable[..., Result], household: Path) -> None:
    with open_store(household) as store:
        journal.append(
            store,
            cuff="C0:FF:EE:00:00:01",
            characteristic=0x2A35,
            value=b"\x1e\x80",
            arrived_at=datetime(2021, 3, 4, tzinfo=UTC),
            source="virtual",
        )
        catch_up(store)
    at = ("--store", str(household))
    assert "retention" not in quietcuff(*at, "rebuild").stderr
    shown = quietcuff(*at, "readings", "--json").stdout
    assert "1 undecodable" in quietcuff(*at, "retention", "--days", "365").stderr
    assert "1 undecodable" in quietcuff(*at, "retention", "--days", "365", "--apply", "--clock-is-right").stderr
    rebuilt = quietcuff(*at, "rebuild")
    assert rebuilt.exit_code == 0
    assert "took away payloads that no reading rests on (1 undecodable)" in rebuilt.stderr
    assert quietcuff(*at, "readings", "--json").stdout == shown
    history = [json.loads(line) for line in quietcuff(*at, "person", "history", "--json").stdout.splitlines()]
    (line,) = [line for line in history if line["what"] == "payloads taken away"]
    assert line["detail"]["undecodable"] == 1
