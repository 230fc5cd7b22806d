"""`quietcuff retention`: a preview first, and only --apply takes anything away."""

import json
from collections.abc import Callable
from pathlib import Path

from typer.testing import Result


def test_preview_apply_and_off(quietcuff: Callable[..., Result], household: Path) -> None:
    store = ("--store", str(household))
    assert quietcuff(*store, "retention").exit_code == 2, "off unless somebody says how many days"

    # The household's readings are of 2031: nothing of it is old, on a machine whose clock is right.
    found = quietcuff(*store, "retention", "--days", "1", "--json")
    assert found.exit_code == 0, found.stderr
    assert json.loads(found.stdout)["applied"] is False
    done = quietcuff(*store, "retention", "--days", "1", "--apply")
    assert "no payload falls under the rule" in done.stderr
    assert quietcuff(*store, "check", "--quick", "--json").exit_code == 3
