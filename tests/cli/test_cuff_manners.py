"""A cuff that comes and delivers nothing is told of, with cause and remedy; what was learned of it can be reset."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import Result

from collector.radio.facts import Manner
from collector.share.text.cuff_text import REMEDIES
from collector.store import journal
from collector.store.journal import manners, visits
from collector.store.opening import open_store

Run = Callable[..., Result]
CUFF = "C0:FF:EE:00:00:09"


def come(path: Path, times: int, outcome: str = "cuff left", **learned: str) -> None:
    now = datetime.now(UTC)
    with open_store(path) as store:
        for _ in range(times):
            visit = visits.open_visit(store, CUFF, "virtual", now)
            for kind, detail in learned.items():
                manners.learn(store, visit, kind.replace("_", " "), detail, sure=True, at=now)
            visits.close_visit(store, visit, now, outcome)


@pytest.mark.parametrize(
    ("outcome", "learned", "cause", "remedy"),
    [
        ("cuff left", {"hangs_up_at": "reading serial number"}, "serial number (now left out)", "asked no more"),
        ("failed: securing the link: no answer", {}, "securing the link: no answer", "pairing mode"),
        ("cuff left", {"wants_the_digits_on_its_display": ""}, "wants the digits on its display", f"cuff add {CUFF}"),
        ("cuff left", {"waits_for_a_user's_consent_code": ""}, "waits for a user's consent code", "consent_code"),
        ("cuff left", {}, "it sent nothing", "set_clock"),
    ],
)  # fmt: skip
def test_told_with_cause_and_remedy(
    tmp_path: Path, quietcuff: Run, outcome: str, learned: dict[str, str], cause: str, remedy: str
) -> None:
    path = tmp_path / "s.db"
    come(path, 2, outcome, **learned)
    assert "never delivered" not in quietcuff("--store", str(path), "cuff", "list").stdout
    come(path, 1, outcome, **learned)
    listed = json.loads(quietcuff("--store", str(path), "cuff", "list", "--json").stdout)
    assert listed["never_delivered"].startswith("came 3 times, never delivered: ")
    assert cause in listed["never_delivered"]
    checked = quietcuff("--store", str(path), "check", "--quick")
    assert "never delivered" in checked.stdout
    assert remedy in checked.stdout.replace("\n", " ").replace("  ", " ")
    with open_store(path) as store:
        journal.append(
            store, cuff=CUFF, characteristic=0x2A35, value=b"?", arrived_at=datetime.now(UTC), source="virtual"
        )
    assert "never delivered" not in quietcuff("--store", str(path), "check", "--quick").stdout


def test_one_that_delivered_once_and_fails_since_is_told_of_too(tmp_path: Path, quietcuff: Run) -> None:
    path = tmp_path / "s.db"
    come(path, 1)
    with open_store(path) as store:
        journal.append(
            store, cuff=CUFF, characteristic=0x2A35, value=b"?", arrived_at=datetime.now(UTC), source="virtual"
        )
    come(path, 2, "failed: subscribing to 0x2a35: no answer")
    assert "visits failed" not in quietcuff("--store", str(path), "check", "--quick").stdout
    come(path, 1, "failed: subscribing to 0x2a35: no answer")
    checked = quietcuff("--store", str(path), "check", "--quick").stdout.replace("\n", " ")
    assert "its last 3 visits failed and brought nothing: subscribing to 0x2a35: no answer" in " ".join(checked.split())
    come(path, 1)
    assert "visits failed" not in quietcuff("--store", str(path), "check", "--quick").stdout


def test_every_manner_has_its_remedy() -> None:
    assert REMEDIES.keys() == set(map(str, Manner))


def test_manners_are_shown_and_reset(tmp_path: Path, quietcuff: Run) -> None:
    path = tmp_path / "s.db"
    come(path, 1, answers_slowly="")
    assert "answers slowly" not in quietcuff("--store", str(path), "cuff", "list").stdout
    assert "answers slowly" in quietcuff("--store", str(path), "cuff", "list", "-v").stdout
    assert quietcuff("--store", str(path), "cuff", "reset-manners", CUFF).exit_code == 0
    assert "answers slowly" not in quietcuff("--store", str(path), "cuff", "list", "-v").stdout
