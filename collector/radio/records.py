"""Stored records of the Blood Pressure Service 1.1: asked for by the Record Access Control Point.

Only 'report' is ever asked, never 'delete': what the cuff keeps may be the last copy.
"""

import asyncio
import logging
import time
from collections.abc import Callable
from contextlib import suppress

from collector.radio.port import Found, Link, Refused
from collector.radio.time_limit import within
from parsers.control import (
    Operator,
    RecordOp,
    RecordResult,
    UserOp,
    UserResult,
    ask,
    parse_record_control,
    parse_user_control,
)
from parsers.errors import ParseError

log = logging.getLogger("quietcuff.visit")

LOOK_S = 0.1  # how often the limits are looked at
ABORT_S = 5.0  # for the answer to an abort
PATIENCE_S = 30.0  # without record or answer the procedure has failed (common practice, no source)


async def fetch(link: Link, point: Found, at_limit: Callable[[], bool]) -> None:
    """Ask for all records, at every visit: those known already are recognised (docs/decisions/visit.md says why).

    at_limit: whether this visit has lasted or brought enough; then the cuff is told to stop, and keeps the rest.
    Raises Refused, TimeoutError, LinkLost.
    """
    answer = await _ask(link, point, ask(RecordOp.REPORT, Operator.ALL), at_limit)
    if answer is None:
        with suppress(Refused, TimeoutError):
            await within(ABORT_S, link.ask(point, ask(RecordOp.ABORT, Operator.NULL)))
    elif _result(answer) not in (RecordResult.SUCCESS, RecordResult.NO_RECORDS):
        raise Refused(f"the cuff does not report its records, answer {answer.hex()}")


def _result(answer: bytes) -> int | None:
    """How 'report' went; None where this answers something else."""
    try:
        control = parse_record_control(answer)
    except ParseError:
        return None
    return control.result if control.op == RecordOp.RESPONSE and control.request == RecordOp.REPORT else None


async def _ask(link: Link, point: Found, request: bytes, at_limit: Callable[[], bool]) -> bytes | None:
    """Like link.ask, for as long as records keep coming; None at the limit."""
    began = time.monotonic()
    asking = asyncio.ensure_future(link.ask(point, request))
    try:
        while not asking.done():
            left = max(began, link.heard_at) + PATIENCE_S - time.monotonic()
            if left <= 0:
                raise TimeoutError
            if at_limit():
                return None
            await asyncio.wait({asking}, timeout=min(left, LOOK_S))
        return asking.result()
    finally:
        asking.cancel()


def consented(answer: bytes) -> bool:
    """Whether the User Control Point's answer says yes."""
    try:
        control = parse_user_control(answer)
    except ParseError:
        return False
    return control.request == UserOp.CONSENT and control.result == UserResult.SUCCESS
