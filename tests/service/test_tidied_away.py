"""`listen` while somebody tidies up the folder that its store is in."""

import asyncio
from pathlib import Path

import pytest

from collector.radio.virtual import VirtualRadio
from collector.service.config import Config
from collector.service.listen import assemble
from collector.service.listen.assemble import listen
from collector.service.listener_lock import AlreadyListening, listener, only_listener
from collector.store.errors import StoreError


@pytest.mark.parametrize("gone", ["store.db", "store.db.lock"])
async def test_what_was_tidied_away_beneath_it_ends_it_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, gone: str
) -> None:
    monkeypatch.setattr(assemble, "STILL_SURE_S", 0.05)
    store_path, radio = tmp_path / "store.db", VirtualRadio([])
    task = asyncio.create_task(listen(store_path, Config(), radio))
    await radio.listening.wait()
    (tmp_path / gone).unlink()
    if gone == "store.db":
        with pytest.raises(StoreError, match="was moved, taken away or replaced"):
            await asyncio.wait_for(task, 10)
        return
    while listener(store_path) is None:  # noqa: ASYNC110
        await asyncio.sleep(0.01)
    (tmp_path / gone).unlink()
    with only_listener(store_path), pytest.raises(AlreadyListening):
        await asyncio.wait_for(task, 10)
