"""Waiting for something, but not for ever."""

import asyncio
from collections.abc import Awaitable
from typing import TypeVar

T = TypeVar("T")


async def within(seconds: float, work: Awaitable[T]) -> T:
    """Await `work`; raises TimeoutError when it takes longer.

    Not asyncio.wait_for: before Python 3.12 it loses a cancellation that comes together with the result.
    """
    async with asyncio.timeout(seconds):
        return await work
