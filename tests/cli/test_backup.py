"""`quietcuff backup …`, as somebody at a terminal sees it."""

import json
from collections.abc import Callable
from pathlib import Path

from typer.testing import Result


def test_now_list_restore(quietcuff: Callable[..., Result], household: Path) -> None:
    made = quietcuff("--store", str(household), "backup", "now")
    assert made.exit_code == 0, made.stderr
    path = Path(made.stdout.strip())
    assert path.parent == household.parent / "backups"
    assert "verified" in made.stderr

    listed = quietcuff("--store", str(household), "backup", "list", "--verify", "--json")
    assert [json.loads(line)["state"] for line in listed.stdout.splitlines()] == ["sound"]
    assert path.name in quietcuff("--store", str(household), "backup", "list").stdout

    tried = quietcuff("--store", str(household), "backup", "restore", "last", "--dry-run")
    assert tried.exit_code == 0
    assert tried.stdout == ""
    assert "26 readings" in tried.stderr or "readings" in tried.stderr

    done = quietcuff("--store", str(household), "backup", "restore", path.name)
    assert done.stdout.strip() == str(household)
    assert "is kept" in done.stderr
    assert list(household.parent.glob("household-before-restore-*.db"))


def test_restore_says_what_the_backup_lacks(quietcuff: Callable[..., Result], household: Path) -> None:
    said = "what was said since"
    quietcuff("--store", str(household), "backup", "now")
    assert said not in quietcuff("--store", str(household), "backup", "restore", "last", "--dry-run").stderr
    (reading, *_) = quietcuff("--store", str(household), "readings", "--json").stdout.splitlines()
    quietcuff("--store", str(household), "strike", json.loads(reading)["reading_id"])
    tried = quietcuff("--store", str(household), "backup", "restore", "last", "--dry-run").stderr
    assert f"the backup lacks {said} (strikes, claims, notes and the like)\n" in tried
    done = quietcuff("--store", str(household), "backup", "restore", "last").stderr
    assert said in done
    kept = next(household.parent.glob("household-before-restore-*.db"))
    assert f"`quietcuff merge {kept}` brings it back" in done
    quietcuff("--store", str(household), "merge", str(kept))
    assert "struck out" in quietcuff("--store", str(household), "readings", "--json").stdout


def test_list_says_which_backup_is_not_sound(quietcuff: Callable[..., Result], household: Path) -> None:
    path = Path(quietcuff("--store", str(household), "backup", "now").stdout.strip())
    path.write_bytes(b"\0" * 5000)
    listed = quietcuff("--store", str(household), "backup", "list", "--verify")
    assert listed.exit_code == 3
    assert "not a quietcuff store" in listed.stdout


def test_words_for_what_cannot_be(quietcuff: Callable[..., Result], household: Path, tmp_path: Path) -> None:
    assert "no backup in" in quietcuff("--store", str(household), "backup", "list").stderr
    missing = quietcuff("--store", str(tmp_path / "none.db"), "backup", "now")
    assert missing.exit_code == 1
    assert "there is no store here" in missing.stderr
    wrong = quietcuff("--store", str(household), "backup", "now", "--encrypt-to", "AGE-SECRET-KEY-1X")
    assert wrong.exit_code == 2
    assert "private" in wrong.stderr
    assert not (household.parent / "backups").exists()
