"""`import` of an export that holds some of a store's readings only."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

Run = Callable[..., Result]


@pytest.mark.parametrize("form", ["ndjson", "fhir"])
def test_what_was_put_right_there_counts_as_it_came_while_its_correction_is_not_here(
    quietcuff: Run, household: Path, tmp_path: Path, form: str
) -> None:
    """Seen with an export of one cuff, which no correction is of: the reading counted nowhere any more."""
    here, there, file = str(tmp_path / "here.db"), str(household), tmp_path / "some"
    shutil.copy(household, here)
    first = _readings(quietcuff, there)[0]["reading_id"]
    assert quietcuff("--store", there, "correct", first, "--systolic", "131").exit_code == 0
    for some, marks, corrections in (
        (("--cuff", "kitchen"), [], 0),
        ((), ["corrected"], 1),
        (("--cuff", "kitchen"), ["corrected"], 1),
    ):
        file.write_text(quietcuff("--store", there, "export", "--to", form, *some).stdout)
        assert quietcuff("--store", here, "import", str(file)).exit_code == 0
        now = _readings(quietcuff, here)
        assert [one["marks"] for one in now if one["reading_id"] == first] == [marks]
        assert len([one for one in now if (one["note"] or "").startswith("corrects")]) == corrections


def _readings(quietcuff: Run, store: str) -> list[dict[str, object]]:
    return [json.loads(one) for one in quietcuff("--store", store, "readings", "--json").stdout.splitlines()]
