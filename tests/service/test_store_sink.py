"""The sink over the store, asked again and again whom it knows."""

from datetime import UTC, datetime
from pathlib import Path

from collector.service.listen.store_sink import StoreSink
from collector.store.journal import cuffs, visits
from collector.store.opening import open_store

CUFF, OTHER = "C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02"
NOON = datetime(2031, 3, 4, 12, tzinfo=UTC)


def test_whom_it_knows_is_read_again_only_once_something_was_written(tmp_path: Path) -> None:
    """A radio asks every two seconds, at rest too."""
    path = tmp_path / "quietcuff.db"
    with open_store(path) as store, open_store(path) as elsewhere:
        sink = StoreSink(store)
        visits.open_visit(store, CUFF, "virtual", NOON)
        assert [cuff.address for cuff in sink.known()] == [CUFF]
        asked: list[str] = []
        store.connection.set_trace_callback(asked.append)
        assert [cuff.address for cuff in sink.known()] == [CUFF]
        assert asked == ["PRAGMA data_version"]
        store.connection.set_trace_callback(None)
        cuffs.remember(elsewhere, OTHER, NOON)
        assert [cuff.address for cuff in sink.known()] == [CUFF, OTHER], "by another process"
        cuffs.forget(store, OTHER, NOON)
        assert [cuff.address for cuff in sink.known()] == [CUFF], "by itself"
