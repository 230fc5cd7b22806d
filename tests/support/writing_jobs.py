"""Everything that writes to a store, a job each: what it needs, what it does, what must hold however it was ended."""

import gzip
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

from collector import intake
from collector.intake.take_log import take_log
from collector.service.jobs import backups, restoring, retention
from collector.store import Store, journal, open_store, people, readings, sightings, upkeep
from collector.store.people import erase, notes, slot_spans, traces
from parsers.measurement import build_measurement, measurement

NOON = datetime(2031, 3, 4, 12, 0, tzinfo=UTC)
CUFF = "F0:00:00:00:00:01"
NAME = "Mira Felsgast"
DAYS = 60
KEPT = Path(__file__).parents[2] / "fixtures/stores/schema-4.sqlite3.gz"


def fill(store: Store, cuff: str, first: int = 0) -> None:
    """Two people's readings, each sent twice, some undecodable."""
    for name in (NAME, "Jon Wetterau"):
        if people.find(store, name) is None:
            people.add(store, name, NOON)
    with store.transaction():
        for number in range(first, first + DAYS):
            at = NOON + timedelta(days=number)
            for slot in (1, 2, 1):
                value = build_measurement(
                    measurement(110 + number % 50, 80, stamp=at.replace(tzinfo=None), user_id=slot)
                )
                come = at + timedelta(seconds=9)
                journal.append(store, cuff=cuff, characteristic=0x2A35, value=value, arrived_at=come, source="virtual")
    journal.append(store, cuff=cuff, characteristic=0x2A35, value=b"\1", arrived_at=at, source="virtual")
    for slot, name in ((1, NAME), (2, "Jon Wetterau")):
        slot_spans.add(store, name, cuff, slot, NOON)
    intake.rebuild(store)
    notes.add(
        store,
        NAME,
        NOON.date() + timedelta(days=first + int(cuff[-1])),
        "began walking in the morning",
        notes.OTHER,
        NOON,
    )


def said(path: Path) -> list[tuple[object, ...]]:
    with open_store(path, create=False) as store:
        return [(r.reading_id, r.person, r.systolic, r.taken_at, r.marks) for r in readings.select(store)]


def sound(path: Path) -> None:
    with open_store(path, create=False) as store:
        intake.catch_up(store)
        assert (upkeep.integrity(store), sightings.miscounted(store)) == ([], 0)


@dataclass
class Job:
    """do: in the process that is killed. begin: what it needs. check: after the kill, with what begin gave."""

    do: Callable[[Path], object]
    check: Callable[[Path], None]
    begin: Callable[[Path], object] = lambda _: None


def rows() -> list[intake.HandRow]:
    return [
        intake.HandRow(NOON + timedelta(hours=n), Decimal(120 + n), Decimal(80), Decimal(60), "Jon Wetterau")
        for n in range(60)
    ]


def do_import(path: Path) -> None:
    with open_store(path, create=False) as store:
        take_log(store, rows(), NOON)


def check_import(path: Path) -> None:
    sound(path)
    with open_store(path, create=False) as store:
        assert readings.count(store) in (2 * DAYS, 2 * DAYS + 60), "all or nothing"
        assert take_log(store, rows(), NOON).new in (0, 60)
        assert readings.count(store) == 2 * DAYS + 60


def begin_merge(path: Path) -> None:
    with open_store(path.with_name("other.db")) as other:
        fill(other, "F0:00:00:00:00:02", first=DAYS)


def do_merge(path: Path) -> None:
    with open_store(path, create=False) as store:
        intake.merge(store, path.with_name("other.db"))


def check_merge(path: Path) -> None:
    sound(path)
    do_merge(path)
    assert len(said(path)) == 4 * DAYS


def the_backup(path: Path) -> backups.Backup:
    return backups.every(path.parent / "backups", path)[0]


def begin_restore(path: Path) -> None:
    backups.take(path, path.parent / "backups", keep=9, now=NOON)
    with open_store(path, create=False) as store:
        fill(store, "F0:00:00:00:00:03", first=DAYS)


def check_restore(path: Path) -> None:
    sound(path)
    kept = [p for p in path.parent.glob("*-before-restore-*.db") if p.stat().st_size]
    assert len(said(path)) in (2 * DAYS, 4 * DAYS)
    assert any(len(said(one)) == 4 * DAYS for one in (path, *kept)), "what stood there is there, under one name"
    restoring.restore(path, the_backup(path), now=NOON + timedelta(days=1))
    assert len(said(path)) == 2 * DAYS
    assert not list(path.parent.glob("*.restoring*"))


def do_erase(path: Path) -> None:
    with open_store(path, create=False) as store:
        intake.erase_person(store, NAME)


def check_erase(path: Path) -> None:
    with open_store(path, create=False, read_only=True) as store:
        begun = people.find(store, NAME) is None
        waiting = erase.pending(store)
    if not begun:
        assert not waiting
        assert len(said(path)) == 2 * DAYS
        do_erase(path)
    with open_store(path, create=False) as store:
        done = intake.finish_erasing(store)
        assert len(done) == len(waiting) * begun
        assert all((one.left, one.naming, one.erasure.readings) == ((), (), DAYS) for one in done)
        assert not erase.pending(store)
        assert traces.naming(store, [NAME]) == []
    assert traces.search(path, [NAME.encode(), b"began walking in the morning"]) == []
    sound(path)
    assert {one[1] for one in said(path)} == {"Jon Wetterau"}


def do_rebuild(path: Path) -> None:
    with open_store(path, create=False) as store:
        intake.rebuild(store)


def check_unchanged(path: Path) -> None:
    sound(path)
    with open_store(path, create=False) as store:
        assert readings.count(store) == 2 * DAYS
        assert journal.counts(store).waiting == 0
    before = said(path)
    do_rebuild(path)
    assert said(path) == before


def do_retention(path: Path) -> None:
    with open_store(path, create=False) as store:
        retention.apply(store, 1, NOON + timedelta(days=400))


def check_retention(path: Path) -> None:
    check_unchanged(path)
    do_retention(path)
    with open_store(path, create=False) as store:
        assert sum(retention.gone(store).values()) == DAYS + 1
    check_unchanged(path)


def begin_migration(path: Path) -> None:
    path.write_bytes(gzip.decompress(KEPT.read_bytes()))


def do_migration(path: Path) -> None:
    open_store(path, create=False).close()


def check_migration(path: Path) -> None:
    reference = path.with_name("reference.db")
    begin_migration(reference)
    sound(path)
    sound(reference)
    assert said(path) == said(reference)


def do_backup(path: Path, recipient: str | None = None) -> None:
    backups.take(path, path.parent / "backups", keep=2, recipient=recipient, now=NOON)


def check_backup(path: Path, recipient: str | None = None) -> None:
    folder = path.parent / "backups"
    for one in backups.every(folder, path):
        if not one.sealed:
            assert backups.look_into(one.path).readings == 2 * DAYS
    later = NOON + timedelta(days=1)
    made = backups.take(path, folder, keep=2, recipient=recipient, now=later)
    left = [p.name for p in (*path.parent.iterdir(), *folder.iterdir()) if p.name.endswith((".unsealed", ".part"))]
    assert not left, "an unfinished copy is taken away by the next backup"
    if recipient:
        plan = restoring.restore(path, made, path.with_name("key.txt"), dry_run=True, now=later)
        assert plan.contents.readings == 2 * DAYS
    check_unchanged(path)


def begin_sealed(path: Path) -> None:
    import pyrage

    identity = pyrage.x25519.Identity.generate()
    path.with_name("key.txt").write_text(f"{identity}\n")
    path.with_name("key.pub").write_text(str(identity.to_public()))


def public(path: Path) -> str:
    return path.with_name("key.pub").read_text()


JOBS = {
    "import": Job(do_import, check_import),
    "merge": Job(do_merge, check_merge, begin_merge),
    "restore": Job(lambda path: restoring.restore(path, the_backup(path), now=NOON), check_restore, begin_restore),
    "erase": Job(do_erase, check_erase),
    "rebuild": Job(do_rebuild, check_unchanged),
    "retention": Job(do_retention, check_retention),
    "migration": Job(do_migration, check_migration, begin_migration),
    "backup": Job(do_backup, check_backup),
    "sealed backup": Job(
        lambda path: do_backup(path, public(path)), lambda path: check_backup(path, public(path)), begin_sealed
    ),
}
