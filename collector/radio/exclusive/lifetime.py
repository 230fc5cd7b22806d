"""Whether a connection on a host stack of our own stands, how it ended, and what is awaited of it meanwhile."""

import asyncio
import struct
from collections.abc import Awaitable
from contextlib import suppress
from typing import TypeVar

from bumble import att, core
from bumble.device import Connection

from collector.radio.errors import LinkLost, RefusedByCuff
from collector.radio.facts import CUFF_LEFT, LINK_LOST, WE_LEFT, VisitOutcome

T = TypeVar("T")

TIMED_OUT = 0x08
LOST = frozenset({0x00, TIMED_OUT, 0x22, 0x3D, 0x3E})  # adapter gone, timeouts, MIC failure, never established


def _named(error: att.ATT_Error) -> str:
    """The error by its name (Core Vol 3 Part F 3.4.1.1), or its number where it has none."""
    known = error.error_name in att.ErrorCode.__members__
    return str(error.error_name) if known else f"with error {error.error_code:#04x}"


class BumbleLifetime:
    """hung_up: by us, though it may still be on its way down."""

    def __init__(self, connection: Connection) -> None:
        self.ended: VisitOutcome | None = None
        self.hung_up = False
        self._connection = connection
        self._down = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        connection.on(connection.EVENT_DISCONNECTION, self.on_down)

    def on_down(self, reason: int = TIMED_OUT) -> None:
        """The connection is no more, for this HCI reason; by itself: its adapter is gone."""
        if not self.hung_up:
            self.ended = LINK_LOST if reason in LOST else CUFF_LEFT
        self._down.set()

    async def gone(self) -> None:
        await self._down.wait()

    def drop(self, why: VisitOutcome) -> None:
        """Hang up from within a callback."""
        if not self.hung_up:
            self.ended, self.hung_up = why, True
            self.spawn(self._disconnect())

    async def hang_up(self) -> None:
        if not self._down.is_set():
            if not self.hung_up:
                self.ended, self.hung_up = WE_LEFT, True
            await self._disconnect()

    async def _disconnect(self) -> None:
        with suppress(core.BaseBumbleError, asyncio.CancelledError):
            await self._connection.disconnect()

    def spawn(self, work: Awaitable[None]) -> None:
        task = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def while_up(self, work: Awaitable[T]) -> T:
        """Await something of the connection. Raises LinkLost when it goes down first, RefusedByCuff for a refusal."""
        task = asyncio.ensure_future(work)
        task.add_done_callback(lambda done: done.cancelled() or done.exception())  # nobody may be left to ask
        down = asyncio.ensure_future(self._down.wait())
        try:
            await asyncio.wait({task, down}, return_when=asyncio.FIRST_COMPLETED)
            if task.done() and not task.cancelled():
                return task.result()
            raise LinkLost(str(self.ended or LINK_LOST))
        except att.ATT_Error as error:
            raise RefusedByCuff(f"the cuff answers {_named(error)}", error.error_code) from None
        except core.TimeoutError:
            raise TimeoutError from None
        except core.BaseBumbleError as error:
            if self._down.is_set():
                raise LinkLost(str(self.ended or LINK_LOST)) from error
            raise RefusedByCuff(str(error)) from error
        except (ValueError, IndexError, struct.error) as error:
            raise RefusedByCuff(f"the cuff's answer cannot be read: {error}") from error
        finally:
            down.cancel()
            task.cancel()
