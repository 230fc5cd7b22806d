"""After a restore a receiver is told what the restored store says otherwise, and no more."""

from datetime import UTC, datetime
from pathlib import Path

from relaying import START, Noting, household, write_down

from collector.intake import erase_person
from collector.service.jobs import backups, restoring
from collector.share.export.context import ExportContext
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent, send
from collector.share.relay.target import Unreachable
from collector.store.database import Store
from collector.store.opening import open_store
from collector.store.outbox_restored import keep_what_receivers_have

CLINIC = Receiver("clinic", "fhir", "https://clinic.example/fhir")


def sent(store: Store, clinic: Noting) -> Sent:
    return send(store, CLINIC, ExportContext(), clinic.connect, lambda: START, now_please=True)


def lower(store: Store, reading_id: str) -> None:
    with store.transaction():
        store.query("UPDATE reading SET systolic = '120' WHERE reading_id = ?", (reading_id,))


def test_what_was_sent_since_the_backup_is_put_right(tmp_path: Path) -> None:
    clinic = Noting()
    with household(tmp_path, "mira") as store:
        as_it_was, changed = [write_down(store, "mira", minute) for minute in range(2)]
        assert sent(store, clinic).fresh == 2
        made = backups.take(store.path, tmp_path / "copies", keep=3, now=datetime(2031, 3, 5, tzinfo=UTC))
        lower(store, changed)
        since = write_down(store, "mira", 5)
        assert sent(store, clinic) == Sent(fresh=1, changed=1)
        perhaps = write_down(store, "mira", 6)
        clinic.trouble = [Unreachable("no answer")]
        assert sent(store, clinic) == Sent(trouble="no answer")
    restoring.restore(tmp_path / "quietcuff.db", made)
    clinic.batches.clear()
    with open_store(tmp_path / "quietcuff.db") as store:
        assert sent(store, clinic) == Sent(changed=1)
        assert sent(store, clinic) == Sent()
    [batch] = clinic.batches
    assert [reading.reading_id for reading in batch.changed] == [changed]
    # What came since may stand nowhere else by now.
    assert not {since, perhaps, as_it_was}.intersection((*batch.gone, *(one.reading_id for one in batch.readings)))


def test_what_was_still_to_be_taken_back_is(tmp_path: Path) -> None:
    clinic = Noting()
    with household(tmp_path, "mira", "ben") as store:
        write_down(store, "mira", 1)
        others = write_down(store, "ben", 2)
        assert sent(store, clinic).fresh == 2
        made = backups.take(store.path, tmp_path / "copies", keep=3, now=datetime(2031, 3, 5, tzinfo=UTC))
        erase_person(store, "ben")
    restoring.restore(tmp_path / "quietcuff.db", made)
    clinic.batches.clear()
    with open_store(tmp_path / "quietcuff.db") as store:
        assert sent(store, clinic) == Sent(gone=1)
    assert [batch.gone for batch in clinic.batches] == [[others]]


def test_what_another_machines_receivers_have_is_not_asked_of_the_store_that_goes(tmp_path: Path) -> None:
    """The backup of a machine that is no more, put in the place of a new one's store."""
    clinic = Noting()
    (tmp_path / "new").mkdir()
    with household(tmp_path, "mira", "ben") as store, household(tmp_path / "new", "zoe") as new:
        write_down(store, "mira", 1)
        others = write_down(store, "ben", 2)
        assert sent(store, clinic).fresh == 2
        erase_person(store, "ben")
        made = backups.take(store.path, tmp_path / "copies", keep=3, now=datetime(2031, 3, 5, tzinfo=UTC))
        write_down(new, "zoe", 3)
        assert sent(new, Noting()).fresh == 1
    clinic.batches.clear()
    restoring.restore(tmp_path / "new" / "quietcuff.db", made)
    with open_store(tmp_path / "new" / "quietcuff.db") as store:
        assert sent(store, clinic) == Sent(changed=1, gone=1)
        assert sent(store, clinic) == Sent()
    assert [gone for batch in clinic.batches for gone in batch.gone] == [others]


def test_where_the_present_store_cannot_be_read_all_is_sent_anew_as_it_may_be_there(tmp_path: Path) -> None:
    clinic = Noting()
    with household(tmp_path, "mira") as store:
        write_down(store, "mira", 1)
        assert sent(store, clinic).fresh == 1
        write_down(store, "mira", 2)
        keep_what_receivers_have(store, None)
        assert sent(store, clinic) == Sent(changed=2)
        assert sent(store, clinic) == Sent()
