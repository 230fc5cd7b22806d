"""Stored records of the Blood Pressure Service 1.1: asked for by the Record Access Control Point.

Only 'report' is ever asked, never 'delete': what the cuff keeps may be the last copy.
"""

import asyncio
import logging
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from collector.radio.port import Found, Link, RecordsComplete, Refused
from collector.radio.steps import FIRST_QUIET_S, Steps
from collector.radio.time_limit import within
from parsers.control import (
    Operator,
    RecordOp,
    RecordResult,
    UserOp,
    UserResult,
    ask,
    ask_from,
    consent,
    parse_record_control,
    parse_user_control,
)
from parsers.errors import ParseError
from parsers.record import parse_segment
from parsers.uuids import Uuid

log = logging.getLogger("quietcuff.visit")

LOOK_S = 0.1  # how often the limits are looked at
ABORT_S = 5.0  # for the answer to an abort
COUNT_S = 5.0  # for the number of records, which a visit can do without
PATIENCE_S = 30.0  # without record or answer the procedure has failed (common practice, no source)
NEAR_WRAP = 0xFF00  # sequence numbers begin again after 65,535: from here on all are asked for


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to ask for. newest: the first segment of the newest record known, where everything older is known too.

    came: whether these very octets came in this visit. room: how many records it may still take. at_limit: whether it
    has lasted, or brought, enough; then the cuff is told to stop, and keeps the rest.
    """

    newest: bytes | None
    came: Callable[[bytes], bool]
    room: int
    at_limit: Callable[[], bool]


async def ask_all(steps: Steps) -> None:
    """Stored records: of each user whom the configuration names for this cuff, with their consent, else of all."""
    users = steps.plan.users.get(steps.link.cuff, ())
    if users:
        await steps.discover_service(Uuid.USER_DATA_SERVICE)
    point = steps.find(Uuid.USER_CONTROL_POINT, property_="write")
    if not users or point is None:
        await _fetch_of(steps, None)
        return
    refused = []
    for user, code in users:
        if steps.silent or steps.at_limit():
            break
        answer = await steps.step("user consent", steps.link.ask(point, consent(user, code)))
        if answer is not None and not _consented(answer):
            steps.note("user consent", f"refused for user {user}, answer {answer.hex()}")
            refused.append(str(user))
        elif answer is not None:
            await _fetch_of(steps, user)
            if user != users[-1][0]:
                await _quiet(steps)
    _tell_refused(steps, refused)


def _tell_refused(steps: Steps, users: list[str]) -> None:
    cuff = steps.link.cuff
    text = (
        f"{cuff} does not take the consent code of user {', '.join(users)}, whose stored records stay in it; "
        f'mend consent_code under [cuffs."{cuff}"]: the cuff shows each user\'s number and code'
    )
    steps.sink.tell(f"consent {cuff}", text if users else None)


async def _quiet(steps: Steps) -> None:
    """Until the cuff has sent what it sends by itself once it has heard a user's consent."""
    heard = -1
    while heard != steps.link.heard and not steps.at_limit():
        heard = steps.link.heard
        with suppress(TimeoutError):
            await within(FIRST_QUIET_S, steps.link.gone())
            return


async def _fetch_of(steps: Steps, user: int | None) -> None:
    """The stored records of one user; of all: None."""
    point = steps.find(Uuid.RECORD_ACCESS_CONTROL_POINT, property_="write")
    has_records = any(f.short == Uuid.BLOOD_PRESSURE_RECORD for f in steps.found)
    if not steps.plan.fetch_records or point is None or not has_records or steps.silent:
        return
    wanted = Wanted(
        newest=steps.known.newest_records.get(user),
        came=lambda value: steps.sink.came(steps.number, value),
        room=steps.plan.most_records - steps.link.heard,
        at_limit=steps.at_limit,
    )
    try:
        if await fetch(steps.link, point, wanted):
            steps.learn(RecordsComplete(user))
    except TimeoutError:
        steps.note("stored records", "no answer")
    except Refused as error:
        steps.note("stored records", str(error))


async def fetch(link: Link, point: Found, wanted: Wanted) -> bool:
    """Ask for the records from the newest known one on, else for all; whether everything the cuff has is here now.

    The newest known one comes again, and shows that the cuff still counts as it did: else it was cleared, and all are
    asked for. Where there are more than this visit may take, the last one comes first. Raises Refused, TimeoutError,
    LinkLost.
    """
    since = _sequence(wanted.newest)
    if since is not None and await _fetch_from(link, point, since, wanted):
        return True
    if wanted.at_limit():
        return False
    if since is None and (await _count(link, point, wanted) or 0) > wanted.room:
        await _result_of(link, point, ask(RecordOp.REPORT, Operator.LAST), wanted)
    result = await _result_of(link, point, ask(RecordOp.REPORT, Operator.ALL), wanted)
    if result is not None and result not in (RecordResult.SUCCESS, RecordResult.NO_RECORDS):
        raise Refused(f"the cuff does not report its records, answer {result:#04x}")
    return result is not None


async def _fetch_from(link: Link, point: Found, since: int, wanted: Wanted) -> bool:
    """Whether the records from there on came, and the first of them is the one that is known."""
    result = await _result_of(link, point, ask_from(RecordOp.REPORT, since), wanted)
    return result == RecordResult.SUCCESS and wanted.newest is not None and wanted.came(wanted.newest)


def _sequence(segment: bytes | None) -> int | None:
    """The number of a record, by its first segment."""
    try:
        sequence = None if segment is None else parse_segment(segment).sequence
    except ParseError:
        return None
    return None if sequence is None or sequence >= NEAR_WRAP else sequence


async def _count(link: Link, point: Found, wanted: Wanted) -> int | None:
    """How many records there are, where the cuff tells."""
    try:
        answer = await within(COUNT_S, _ask(link, point, ask(RecordOp.COUNT, Operator.ALL), wanted.at_limit))
        return None if answer is None else parse_record_control(answer).count
    except TimeoutError:
        await _abort(link, point)
    except (Refused, ParseError):
        pass
    return None


async def _abort(link: Link, point: Found) -> None:
    with suppress(Refused, TimeoutError):
        await within(ABORT_S, link.ask(point, ask(RecordOp.ABORT, Operator.NULL)))


async def _result_of(link: Link, point: Found, request: bytes, wanted: Wanted) -> int | None:
    """How a report went; None where it was broken off at the limit, or the answer answers something else."""
    answer = await _ask(link, point, request, wanted.at_limit)
    if answer is None:
        await _abort(link, point)
        return None
    result = _result(answer)
    if result is None:
        raise Refused(f"the cuff does not report its records, answer {answer.hex()}")
    return result


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


def _consented(answer: bytes) -> bool:
    """Whether the User Control Point's answer says yes."""
    try:
        control = parse_user_control(answer)
    except ParseError:
        return False
    return control.request == UserOp.CONSENT and control.result == UserResult.SUCCESS
