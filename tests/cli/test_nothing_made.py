"""Where what was asked is refused and no store was there, none is there afterwards."""

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from collector.store.opening import open_store, remove_if_empty

Run = Callable[..., Result]
BAD_LOG = "taken_at,systolic,diastolic\n2026-03-04 07:30,128,81\n2026-03-04 19:30,128,NaN\n"


@pytest.mark.parametrize(
    ("command", "given"),
    [
        (("merge", "{none}"), None),
        (("merge", "{foreign}"), None),
        (("merge", "{text}"), None),
        (("import", "-"), BAD_LOG),
        (("import", "-", "mira"), BAD_LOG),
        (("import", "-"), '{"reading_id": 7}\n'),
        (("import", "-"), "taken_at,systolic,diastolic\n"),
        (("person", "add", ""), None),
        (("person", "add", "x\u202ey"), None),
    ],
)
def test_a_refusal_leaves_no_empty_store(
    quietcuff: Run, tmp_path: Path, command: tuple[str, ...], given: str | None
) -> None:
    places = {"none": tmp_path / "none.db", "foreign": tmp_path / "foreign.db", "text": tmp_path / "text.db"}
    places["text"].write_text("no store")
    with open_store(places["foreign"]) as foreign:
        foreign.query("CREATE TABLE stranger (a)")
    path = tmp_path / "new" / "s.db"
    words = [word.format(**places) for word in command]
    result = quietcuff("--store", str(path), *words, input=given)
    assert result.exit_code in (0, 1, 2)
    assert "unforeseen" not in result.stderr
    assert [one.name for one in path.parent.glob("*") if not one.name.endswith(".writers")] == []


def test_a_store_that_was_there_stays_however_empty(quietcuff: Run, tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    open_store(path).close()
    assert quietcuff("--store", str(path), "import", "-", input=BAD_LOG).exit_code == 1
    assert path.exists()


def test_one_that_another_program_has_open_meanwhile_stays(quietcuff: Run, tmp_path: Path) -> None:
    """It was made here, but whoever has it open may be about to write."""
    path = tmp_path / "s.db"
    with open_store(path):
        remove_if_empty(path)
        assert path.exists()
    remove_if_empty(path)
    assert not path.exists()
