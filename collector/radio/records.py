"""Stored records of the Blood Pressure Service 1.1: asked for by the Record Access Control Point.

Only 'report' is ever asked, never 'delete': what the cuff keeps may be the last copy.
"""

import asyncio
import logging
import time
from collections.abc import Awaitable
from contextlib import suppress
from datetime import UTC, datetime

from collector.radio.errors import RefusedByCuff
from collector.radio.facts import Found, Learned, Manner, RecordsFetched
from collector.radio.steps import CONSENT, COUNTING, FIRST_QUIET_S, STORED, Steps
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
        answer = await _consent(steps, point, consent(user, code))
        if answer is not None and not _consented(answer):
            steps.note(CONSENT, f"refused for user {user}, answer {answer.hex()}")
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
    if steps.plan.fetch_records and point is not None and has_records and not steps.silent:
        await _Fetch(steps, point, user).run()


class _Fetch:
    """The newest known one comes again, and shows that the cuff still counts as it did: else it was cleared, and all
    are asked for. Where there are more than this visit may take, the last one comes first.

    since, first: when the report that is under way was asked for, and the record that it has to begin with.
    """

    def __init__(self, steps: Steps, point: Found, user: int | None) -> None:
        self.steps, self.point, self.user = steps, point, user
        self.newest = steps.known.newest_records.get(user)
        self.since: datetime | None = None
        self.first: bytes | None = None

    async def run(self) -> None:
        steps, whole = self.steps, False
        if STORED in steps.left_out:
            return
        try:
            whole = await self._all()
        except TimeoutError:
            steps.note(STORED, "no answer")
            steps.learn(Learned(Manner.NO_ANSWER, STORED, sure=False))
        except RefusedByCuff as error:
            steps.note(STORED, str(error))
        finally:
            if self.since is not None:
                steps.learn(RecordsFetched(self.user, self.since, whole, self.first))

    async def _all(self) -> bool:
        """Ask for the records from the newest known one on, else for all; whether everything the cuff has is here now.

        Raises RefusedByCuff, TimeoutError, LinkLost.
        """
        known = _sequence(self.newest)
        if known is not None and await self._from(known):
            return True
        if self.steps.at_limit():
            return False
        if known is None and await self._too_many():
            await self._report(ask(RecordOp.REPORT, Operator.LAST))
        self.since, self.first = datetime.now(UTC), None
        result = await self._report(ask(RecordOp.REPORT, Operator.ALL))
        if result is not None and result not in (RecordResult.SUCCESS, RecordResult.NO_RECORDS):
            raise RefusedByCuff(f"the cuff does not report its records, answer {result:#04x}")
        return result is not None

    async def _from(self, sequence: int) -> bool:
        """Whether the records from there on came, and the first of them is the one that is known."""
        assert self.newest is not None
        self.since, self.first = datetime.now(UTC), self.newest
        result = await self._report(ask_from(RecordOp.REPORT, sequence))
        return result == RecordResult.SUCCESS and self.steps.sink.came(self.steps.number, self.newest, self.since)

    async def _too_many(self) -> bool:
        """Whether the cuff says that it keeps more than this visit may take; not asked where answers take long."""
        steps = self.steps
        if COUNTING in steps.left_out or Manner.SLOW in steps.manners:
            return False
        try:
            with steps.at(COUNTING):
                answer = await within(COUNT_S, self._ask(ask(RecordOp.COUNT, Operator.ALL)))
            count = None if answer is None else parse_record_control(answer).count
            return (count or 0) > steps.plan.most_records - steps.link.heard
        except TimeoutError:
            await self._abort()
        except (RefusedByCuff, ParseError):
            pass
        return False

    async def _report(self, request: bytes) -> int | None:
        """How a report went; None where it was broken off at the limit. Raises RefusedByCuff where there is none."""
        with self.steps.at(STORED):
            answer = await self._ask(request)
        if answer is None:
            await self._abort()
            return None
        result = _result(answer)
        if result is None:
            raise RefusedByCuff(f"the cuff does not report its records, answer {answer.hex()}")
        return result

    async def _abort(self) -> None:
        request = ask(RecordOp.ABORT, Operator.NULL)
        with suppress(RefusedByCuff, TimeoutError):
            await within(ABORT_S, self._answer_to(request))

    def _answer_to(self, request: bytes) -> Awaitable[bytes]:
        return self.steps.link.ask(self.point, request, lambda answer: _is_late(answer, request))

    async def _ask(self, request: bytes) -> bytes | None:
        """The answer, for as long as records keep coming; None at the limit."""
        began = time.monotonic()
        asking = asyncio.ensure_future(self._answer_to(request))
        try:
            while not asking.done():
                left = max(began, self.steps.link.heard_at) + PATIENCE_S - time.monotonic()
                if left <= 0:
                    raise TimeoutError
                if self.steps.at_limit():
                    return None
                await asyncio.wait({asking}, timeout=min(left, LOOK_S))
            return asking.result()
        finally:
            asking.cancel()


def _sequence(segment: bytes | None) -> int | None:
    """The number of a record, by its first segment."""
    try:
        sequence = None if segment is None else parse_segment(segment).sequence
    except ParseError:
        return None
    return None if sequence is None or sequence >= NEAR_WRAP else sequence


def _result(answer: bytes) -> int | None:
    """How 'report' went; None where this answers something else."""
    try:
        control = parse_record_control(answer)
    except ParseError:
        return None
    return control.result if control.op == RecordOp.RESPONSE and control.request == RecordOp.REPORT else None


def _is_late(answer: bytes, request: bytes) -> bool:
    """Whether this answers another request, one that was given up before."""
    try:
        control = parse_record_control(answer)
    except ParseError:
        return False
    asked = RecordOp.COUNT if control.op == RecordOp.COUNT_RESPONSE else control.request
    return asked is not None and asked != request[0]


async def _consent(steps: Steps, point: Found, request: bytes) -> bytes | None:
    return await steps.step(CONSENT, lambda: steps.link.ask(point, request))


def _consented(answer: bytes) -> bool:
    """Whether the User Control Point's answer says yes."""
    try:
        control = parse_user_control(answer)
    except ParseError:
        return False
    return control.request == UserOp.CONSENT and control.result == UserResult.SUCCESS
