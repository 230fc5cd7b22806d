"""Asks whoever lets a cuff in, by `cuff add` or the page, through the store: the service has no screen or keyboard."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path

from collector.store.journal import pairing
from collector.store.opening import open_store

LOOK_S = 0.3


class StorePerson:
    """Implements `collector.radio.port.PairingPerson`."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def anywhere(self) -> bool:
        """Whether somebody waits at any cuff."""
        with open_store(self._path, create=False) as store:
            return pairing.anywhere(store, datetime.now(UTC))

    def present(self, cuff: str) -> bool:
        with open_store(self._path, create=False) as store:
            return pairing.present(store, cuff, datetime.now(UTC))

    async def passkey(self, cuff: str) -> int | None:
        return await self._ask(cuff, None)

    async def same_number(self, cuff: str, number: int) -> bool:
        return bool(await self._ask(cuff, number))

    async def _ask(self, cuff: str, number: int | None) -> int | None:
        """Put the question, and wait for its answer; None where nobody is there or answers in time."""
        with open_store(self._path, create=False) as store:
            if not pairing.present(store, cuff, datetime.now(UTC)):
                return None
            pairing.ask(store, cuff, number, datetime.now(UTC))
            for _ in range(round(pairing.ASK_FOR.total_seconds() / LOOK_S)):
                found = pairing.answer(store, cuff)
                if found is not None:
                    return found
                await asyncio.sleep(LOOK_S)
        return None
