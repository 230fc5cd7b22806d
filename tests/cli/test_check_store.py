"""`quietcuff check` over the store, who can read it and its secrets, and who is in it."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from collector.store.journal import cuffs, derivation
from collector.store.opening import open_store

Run = Callable[..., Result]
Found = Callable[..., dict[str, Any]]


def test_a_store_that_others_can_read_or_that_lost_a_bond(findings: Found, household: Path) -> None:
    household.chmod(0o644)
    with open_store(household) as store, store.transaction():
        store.query("UPDATE cuff SET bond_missing_on = 'cuff' WHERE name = 'kitchen'")
    found = findings()
    assert "can be read or written by everybody" in found["store rights"]["text"]
    assert found["bond"]["text"] == "kitchen: the cuff has lost the bond, so it cannot be read"


def test_a_store_that_is_not_there_or_damaged(quietcuff: Run, findings: Found, household: Path, tmp_path: Path) -> None:
    missing = quietcuff("--store", str(tmp_path / "none.db"), "check")
    assert missing.exit_code == 3
    assert "there is no store here" in missing.stdout
    size = household.stat().st_size
    with household.open("r+b") as file:
        for place in range(8192, size, 4096):
            file.seek(place)
            file.write(b"\xff" * 512)
    for suffix in ("-wal", "-shm"):
        household.with_name(household.name + suffix).unlink(missing_ok=True)
    found = findings()
    assert found["exit"] == 1
    assert found["store"]["state"] == "broken"
    household.write_text("this was never a store " * 100)
    assert findings()["exit"] == 1


def test_a_store_without_the_right_to_it(findings: Found, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.service.checks.everything.open_store", _denied)
    found = findings()
    assert (found["exit"], found["store"]["state"]) == (1, "broken")
    assert "sudo -u quietcuff" in found["store"]["remedy"]
    assert "clock" in found


def test_a_store_whose_log_cannot_be_opened_is_there_all_the_same(findings: Found, household: Path) -> None:
    household.with_name(f"{household.name}-wal").unlink(missing_ok=True)
    household.with_name(f"{household.name}-wal").mkdir()  # as a log that belongs to another user
    found = findings()
    assert (found["exit"], found["store"]["state"]) == (1, "broken")
    assert "which makes it" not in found["store"]["remedy"]


def test_what_is_to_be_derived_again_is_told(quietcuff: Run, findings: Found, household: Path) -> None:
    """As after an update, where no service runs."""
    with open_store(household) as store, store.transaction():
        derivation.note_redo(store, next(iter(cuffs.rows(store))))
    assert "those of 1 cuff are to be derived again" in findings()["readings"]["text"]
    assert quietcuff("--store", str(household), "rebuild").exit_code == 0
    assert "readings" not in findings()


def _denied(_: object, **__: object) -> None:
    raise PermissionError(13, "Permission denied", "/x/y.db")


def test_what_is_counted_otherwise_than_the_journal_has_it_is_no_damage(
    quietcuff: Run, findings: Found, household: Path, tmp_path: Path
) -> None:
    with open_store(household) as store:
        store.query("UPDATE reading SET sightings = 9 WHERE id = 1")
    found = findings()
    assert (found["store"]["state"], found["readings"]["remedy"]) == ("fine", "run `quietcuff rebuild`")
    backup = ("--store", str(household), "backup", "now", "--folder", str(tmp_path / "backups"))
    assert quietcuff(*backup).exit_code == 0
    assert quietcuff("--store", str(household), "rebuild").exit_code == 0
    assert "readings" not in findings()


@pytest.mark.parametrize(("mode", "who"), [(0o660, "its group"), (0o604, "everybody")])
def test_a_store_that_its_group_or_everybody_can_read(findings: Found, household: Path, mode: int, who: str) -> None:
    household.chmod(mode)
    assert who in findings("--quick")["store rights"]["text"]


def test_a_store_behind_a_link_is_told(quietcuff: Run, household: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.db"
    link.symlink_to(household)
    told = quietcuff("--store", str(link), "check", "--quick", "--json").stdout
    assert "is a symbolic link" in told


def test_a_key_that_is_none_a_secret_that_others_read_and_people_who_are_not_here(
    findings: Found, quietcuff: Run, household: Path, tmp_path: Path
) -> None:
    token = tmp_path / "token"
    token.write_text("hush\n")
    token.chmod(0o644)
    file = tmp_path / "q.toml"
    file.write_text(
        f'[backup]\nencrypt_to = "age1{"q" * 58}"\n[relay.clinic]\nurl = "https://clinic.example/fhir"\n'
        f'token_file = "{token}"\npeople = ["who-is-this"]\n[people.nobody-here]\n'
    )
    found = findings("--quick", "--config", str(file))
    assert found["backup key"]["state"] == "attention"
    assert "others may read this secret" in found["relay clinic secret"]["text"]
    told = quietcuff("--store", str(household), "--config", str(file), "check", "--quick").stdout
    for place in ("[people.nobody-here]", "'who-is-this' in people of [relay.clinic]"):
        assert f"{place} is nobody of this store" in told
    assert "hush" not in str(found)
