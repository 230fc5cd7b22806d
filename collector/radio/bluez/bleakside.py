"""The one place that knows bleak's inside: what it remembers of a bluetoothd that is gone must go too."""

import asyncio
import logging
from contextlib import suppress


def quiet() -> None:
    """What bleak warns of we tell in our own words."""
    logging.getLogger("bleak").setLevel(logging.ERROR)


def forget() -> None:
    """bluetoothd died without saying goodbye: bleak would go on showing its objects, links that are no more included.

    Closing its connection makes it tell its clients that they are disconnected, and look afresh next time.
    """
    from bleak.backends.bluezdbus import manager

    instance = manager._global_instances.get(asyncio.get_running_loop())
    bus = getattr(instance, "_bus", None)
    if bus is not None:
        with suppress(Exception):
            bus.disconnect()
