"""The one place that knows bleak's inside, for what its public face cannot do."""

import asyncio
import errno
import logging
from contextlib import suppress
from typing import Any

from bleak import BleakClient
from bleak.backends.bluezdbus import manager


def quiet() -> None:
    """What bleak warns of we tell in our own words; so we do the loss of the connection under it."""
    logging.getLogger("bleak").setLevel(logging.ERROR)
    logging.getLogger("asyncio").addFilter(_is_news)


def _is_news(record: logging.LogRecord) -> bool:
    """Whether it is more than a write that dbus-fast had under way when its connection was closed, and forgot."""
    error = record.exc_info[1] if record.exc_info else None
    return not (isinstance(error, OSError) and error.errno == errno.EBADF and "never retrieved" in record.getMessage())


def _connection() -> Any:
    """The D-Bus connection that bleak keeps for its scanners and clients; None while it has none."""
    return getattr(manager._global_instances.get(asyncio.get_running_loop()), "_bus", None)


def forget() -> None:
    """bluetoothd died without saying goodbye: bleak would go on showing its objects, links that are no more included.

    Closing its connection makes it tell its clients that they are disconnected, and look afresh next time.
    """
    if (bus := _connection()) is not None:
        with suppress(Exception):
            bus.disconnect()


async def let_go(client: BleakClient) -> None:
    """Free what a client holds without asking BlueZ to disconnect: what is up may be the cuff's next link already."""
    backend: Any = client._backend
    with suppress(Exception):
        if backend.is_connected:
            backend._on_disconnected()
        await backend._release_bus()
