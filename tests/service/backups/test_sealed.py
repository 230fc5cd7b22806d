"""Sealed backups open with their key only, and nothing unsealed is left about."""

import stat
from datetime import timedelta
from pathlib import Path

import pytest
from copies import NIGHT, append, damage, values

from collector.service.config.settings import key_problem
from collector.service.jobs import backups, restoring
from collector.service.jobs.sealing import SealError


def test_a_sealed_backup_opens_with_its_key_only(
    store: Path, folder: Path, keys: tuple[str, Path], tmp_path: Path
) -> None:
    import pyrage

    public, private = keys
    made = backups.take(store, folder, keep=3, recipient=public, now=NIGHT)
    assert made.sealed
    # The header that every age file begins with: age-encryption.org/v1, "Encrypted file format".
    assert made.path.read_bytes().startswith(b"age-encryption.org/v1\n-> X25519 ")
    assert stat.S_IMODE(made.path.stat().st_mode) == 0o600
    assert not list(tmp_path.rglob("*.unsealed"))
    append(store, 50)
    with pytest.raises(SealError, match="--identity"):
        restoring.restore(store, made)
    other = tmp_path / "other.txt"
    other.write_text(f"{pyrage.x25519.Identity.generate()}\n")
    with pytest.raises(SealError, match="does not open it"):
        restoring.restore(store, made, other)
    assert len(values(store)) == 51
    restoring.restore(store, made, private)
    assert values(store) == list(range(50))


@pytest.mark.parametrize("change", ["cut", "flipped"])
def test_a_tampered_sealed_backup_is_refused(store: Path, folder: Path, keys: tuple[str, Path], change: str) -> None:
    public, private = keys
    made = backups.take(store, folder, keep=3, recipient=public, now=NIGHT)
    octets = bytearray(made.path.read_bytes())
    if change == "cut":
        del octets[-5000:]
    else:
        octets[len(octets) // 2] ^= 1
    made.path.write_bytes(octets)
    with pytest.raises(SealError):
        restoring.restore(store, made, private)
    assert values(store) == list(range(50))


@pytest.mark.parametrize(
    ("text", "word"),
    [("AGE-SECRET-KEY-1QQQ", "private"), ("agent", "not an age"), ("age1", None), ("ssh-ed25519 AAAA", None)],
)
def test_a_key_is_looked_at_before_it_is_needed(text: str, word: str | None) -> None:
    problem = key_problem(text)
    assert problem is None if word is None else word in str(problem)


def test_a_key_that_does_not_work_stops_the_backup(store: Path, folder: Path) -> None:
    with pytest.raises(SealError, match="public key"):
        backups.take(store, folder, keep=3, recipient="age1notakey")
    assert not folder.exists()


def test_what_is_offered_where_there_is_none_a_sealed_one_or_only_damaged_ones(
    store: Path, folder: Path, keys: tuple[str, Path]
) -> None:
    assert backups.last_backup_hint(folder, store).startswith(
        f"there is no sound backup in {folder}; keep {store} as it is"
    )
    damaged = backups.take(store, folder, 9, now=NIGHT - timedelta(hours=1)).path
    damage(damaged)
    assert backups.last_good(folder, store) is None
    sealed = backups.take(store, folder, 9, keys[0], now=NIGHT)
    assert backups.last_good(folder, store) == sealed
    assert "sealed: its private key is needed" in backups.last_backup_hint(folder, store)


def test_without_its_library_sealing_says_what_to_install(
    store: Path, folder: Path, keys: tuple[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "pyrage", None)
    with pytest.raises(SealError, match=r"pip install 'quietcuff\[encrypt\]'"):
        backups.take(store, folder, 3, keys[0])
    assert not folder.exists() or not any(folder.iterdir()), "nothing unsealed instead"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "the private key cannot be read"),
        (b"\xff\xfe", "the private key cannot be read"),
        (b"no key at all\n", "holds no private key of age or SSH"),
    ],
)
def test_a_private_key_that_is_none_is_one_line(
    store: Path, folder: Path, keys: tuple[str, Path], tmp_path: Path, content: bytes | None, words: str
) -> None:
    sealed = backups.take(store, folder, 3, keys[0])
    identity = tmp_path / "identity"
    if content is not None:
        identity.write_bytes(content)
    before = store.read_bytes()
    with pytest.raises(SealError, match=words):
        restoring.restore(store, sealed, identity)
    assert store.read_bytes() == before
    assert not store.with_name(store.name + ".restoring").exists()


def test_nothing_unsealed_ever_reaches_the_folder(
    store: Path, folder: Path, keys: tuple[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[tuple[Path, list[tuple[str, int]]]] = []
    look = backups.look_into

    def looking(path: Path) -> backups.Contents:
        seen.append((path.parent, [(one.name, one.stat().st_size) for one in folder.iterdir()]))
        return look(path)

    monkeypatch.setattr(backups, "look_into", looking)
    made = backups.take(store, folder, 3, keys[0])
    assert [where for where, _ in seen] == [store.parent], "written and looked through beside the store"
    assert seen[0][1] == [(f"{made.path.name}.part", 0)], "its name in the folder is taken meanwhile, no more"
    assert list(folder.iterdir()) == [made.path]
    assert [path.name for path in store.parent.iterdir() if "unsealed" in path.name] == []
