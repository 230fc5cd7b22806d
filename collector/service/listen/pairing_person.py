"""Asks whoever lets a cuff in, by `cuff add` or the page, through the store: the service has no screen or keyboard."""

import asyncio
from datetime import UTC, datetime

from collector.store.database import Store
from collector.store.journal import pairing

LOOK_S = 0.3


class StorePerson:
    """Implements `collector.radio.port.PairingPerson`, in the thread of the store that it is given."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def anywhere(self) -> bool:
        """Whether somebody waits at any cuff."""
        return pairing.anywhere(self._store, datetime.now(UTC))

    def present(self, cuff: str) -> bool:
        return pairing.present(self._store, cuff, datetime.now(UTC))

    async def passkey(self, cuff: str) -> int | None:
        return await self._ask(cuff, None)

    async def same_number(self, cuff: str, number: int) -> bool:
        return bool(await self._ask(cuff, number))

    async def _ask(self, cuff: str, number: int | None) -> int | None:
        """Put the question, and wait for its answer; None where nobody is there or answers in time."""
        if not self.present(cuff):
            return None
        pairing.ask(self._store, cuff, number, datetime.now(UTC))
        for _ in range(round(pairing.ASK_FOR.total_seconds() / LOOK_S)):
            found = pairing.answer(self._store, cuff)
            if found is not None:
                return found
            await asyncio.sleep(LOOK_S)
        return None
