"""One conversation of a virtual cuff with a collector, from connection to disconnection."""

import asyncio
import time
from typing import TYPE_CHECKING

from bumble.att import ATT_Error
from bumble.device import Connection

from collector.radio.time_limit import within
from collector.radio.virtual.cuff_memory import StoredRecord
from parsers.control import (
    Filter,
    Operator,
    RecordControl,
    RecordOp,
    RecordResult,
    UserControl,
    UserOp,
    UserResult,
    answer,
    answer_count,
    build_user_control,
    parse_record_control,
    parse_user_control,
)
from parsers.errors import ParseError
from parsers.measurement import parse_enhanced, parse_measurement
from parsers.record import build_segments
from parsers.uuids import Uuid

if TYPE_CHECKING:
    from collector.radio.virtual.peripheral import CuffRadio

NOTIFIES, INDICATES = 0x01, 0x02
NOT_CONFIGURED, IN_PROGRESS = 0xFD, 0xFE  # ATT: CCCD improperly configured, procedure already in progress
GRACE_S = 0.02  # on a busy machine time passes while nobody gets a turn: what is under way comes first


class Conversation:
    """What is only true while connected: who is there, what is subscribed, what waits for a confirmation."""

    def __init__(self, radio: "CuffRadio", connection: Connection) -> None:
        self.connection = connection
        self.subscribed: dict[int, bytes] = {}
        self._radio, self._behaviour, self._memory = radio, radio.behaviour, radio.memory
        self._first_live = len(self._memory.records)
        self._ready = asyncio.Event()  # somebody listens
        self._confirmation: asyncio.Future[bool] | None = None
        self._consented = self._behaviour.consent is None and not self._behaviour.users
        self._user: int | None = None  # whose records are told, where the cuff has several
        self._clock_was_set = not self._behaviour.clock_first
        self._reporting: asyncio.Task[None] | None = None
        self._leaving: asyncio.TimerHandle | None = None
        self._stirred = time.monotonic()
        if self._behaviour.ignores_subscription and not self._behaviour.pairing:
            self._ready.set()

    @property
    def collector(self) -> str:
        return str(self.connection.peer_address)

    @property
    def measured(self) -> int:
        return Uuid.ENHANCED_MEASUREMENT if self._behaviour.enhanced else Uuid.BLOOD_PRESSURE_MEASUREMENT

    def stir(self) -> None:
        """Something happened: the cuff stays a little longer."""
        self._stirred = time.monotonic()

    def ended(self) -> None:
        if self._leaving is not None:
            self._leaving.cancel()
        if self._confirmation is not None and not self._confirmation.done():
            self._confirmation.set_result(False)
        if self._reporting is not None:
            self._reporting.cancel()

    # -- what the collector does ---------------------------------------------------------------------

    async def encrypted(self) -> None:
        """The link is secured: a bonded collector's subscription holds again (Core Vol 3 Part G 3.3.3.3)."""
        keystore = self._radio.device.keystore
        bonded = keystore is not None and await keystore.get(self.collector) is not None
        if bonded:
            self.subscribed.update(self._memory.subscriptions.get(self.collector, {}))
        if self._behaviour.ignores_subscription or (bonded and self._behaviour.eager and self._listening()):
            self._ready.set()

    def configure(self, short: int, value: bytes) -> None:
        self.subscribed[short] = value
        if self.connection.is_encrypted:
            self._memory.subscriptions.setdefault(self.collector, {})[short] = value
        if self._listening() or short == Uuid.RECORD_ACCESS_CONTROL_POINT:
            self._ready.set()

    def clock_was_set(self) -> None:
        self._clock_was_set = True
        self._radio.news.set()

    def _bits(self, short: int) -> int:
        return (self.subscribed.get(short) or b"\x00")[0]

    def _listening(self) -> bool:
        return bool(self._bits(self.measured) & (NOTIFIES | INDICATES))

    def confirmed(self) -> None:
        if self._confirmation is not None and not self._confirmation.done():
            self._confirmation.set_result(True)

    def consent(self, value: bytes) -> None:
        """User Control Point: the right code opens this connection to the user's records."""
        try:
            asked = parse_user_control(value)
        except ParseError:
            raise ATT_Error(error_code=0x0D) from None
        users = self._behaviour.users or dict([self._behaviour.consent] if self._behaviour.consent else [])
        known = asked.user_index is not None and users.get(asked.user_index) == asked.consent_code
        good = asked.op == UserOp.CONSENT and known
        if good and self._behaviour.users:
            self._user = asked.user_index
        self._consented = self._consented or good
        result = UserResult.SUCCESS if good else UserResult.NOT_AUTHORIZED
        reply = build_user_control(UserControl(UserOp.RESPONSE, request=asked.op, result=result))
        asyncio.get_running_loop().call_soon(self._answer, Uuid.USER_CONTROL_POINT, reply)
        self._radio.news.set()

    def _answer(self, short: int, value: bytes) -> None:
        handle = self._radio.table.characteristics[short].handle
        self._radio.device.send_value(self.connection, handle, value, True)

    # -- what the cuff does --------------------------------------------------------------------------

    async def run(self) -> None:
        """Send everything that waits, then whatever is measured meanwhile; leave after a while of nothing."""
        if self._behaviour.stays_s is not None:
            self._leaving = asyncio.get_running_loop().call_later(self._behaviour.stays_s, self._radio.cut)
        if self._behaviour.pairing and self._behaviour.asks_for_security:
            self._radio.device.request_pairing(self.connection)
        try:
            await within(self._behaviour.patience_s, self._ready.wait())
        except TimeoutError:
            self._radio.cut()
            return
        await asyncio.sleep(self._behaviour.sends_after_s)
        if self._behaviour.reads_our_clock:
            await self._radio.follow_collectors_clock(self.connection)
        while True:
            self._radio.news.clear()
            if not await self._tell_of_changes():
                return
            for record in self._waiting():
                if not self._may_send():  # the collector took its subscription back
                    break
                if not await self._send(record):
                    return
            if self._behaviour.endless:
                self._memory.store(self._memory.measured[-1] if self._memory.measured else bytes(7))
                continue
            if self._reporting is not None and not self._reporting.done():
                await asyncio.wait({self._reporting})
            left = self._stirred + self._behaviour.lingers_s - time.monotonic()
            if left <= 0:
                before = self._stirred
                await asyncio.sleep(GRACE_S)
                if self._stirred > before:
                    continue
                self._radio.cut()
                return
            try:
                await within(left, self._radio.news.wait())
            except TimeoutError:
                continue

    def _may_send(self) -> bool:
        return self._consented and self._clock_was_set and (self._listening() or self._behaviour.ignores_subscription)

    async def _tell_of_changes(self) -> bool:
        """False when that was not confirmed and the conversation is over."""
        if not self._radio.table_moved or not self._bits(Uuid.SERVICE_CHANGED) & INDICATES:
            return True
        self._radio.table_moved = False
        everything = b"\x01\x00\xff\xff"
        return await self._indicate(self._radio.table.characteristics[Uuid.SERVICE_CHANGED].handle, everything)

    def _waiting(self) -> list[StoredRecord]:
        if not self._may_send():
            return []
        waiting = [record for record in self._memory.pending(self.collector) if self._tells(record)]
        if self._behaviour.keeps_records:
            live = {id(record) for record in self._memory.records[self._first_live :]}
            return [record for record in waiting if id(record) in live]
        return waiting

    def _tells(self, record: StoredRecord) -> bool:
        """Whether a record is that of the user who has consented; without several users, every one is."""
        if not self._behaviour.users:
            return True
        parse = parse_enhanced if self._behaviour.enhanced else parse_measurement
        return self._user is not None and parse(record.payload).user_id == self._user

    async def _send(self, record: StoredRecord) -> bool:
        """One record; False when it was not confirmed and the conversation is over."""
        for handle, value in self._behaviour.strays:
            if not await self._indicate(handle, value):
                return False
        if self._radio.step("indicate"):
            return False
        handle = self._radio.table.characteristics[self.measured].handle
        unasked = self._behaviour.ignores_subscription and not self._behaviour.early_notifications
        if self._bits(self.measured) & INDICATES or unasked:
            if not await self._indicate(handle, record.payload):
                return False
        else:
            self._radio.device.send_value(self.connection, handle, record.payload, False)
            await asyncio.sleep(0)
        self._memory.confirm(record, self.collector)
        self.stir()
        return True

    async def _indicate(self, handle: int, value: bytes) -> bool:
        self._confirmation = asyncio.get_running_loop().create_future()
        self._radio.device.send_value(self.connection, handle, value, True)
        try:
            return await within(self._behaviour.confirm_s, self._confirmation)
        except TimeoutError:
            self._radio.cut()
            return False

    # -- stored records on request -------------------------------------------------------------------

    def control(self, value: bytes) -> None:
        """Record Access Control Point. Reports and counts; deleting is not supported."""
        if (
            not self._bits(Uuid.RECORD_ACCESS_CONTROL_POINT) & INDICATES
            or not self._bits(Uuid.BLOOD_PRESSURE_RECORD) & NOTIFIES
        ):
            raise ATT_Error(error_code=NOT_CONFIGURED)
        if self._reporting is not None and not self._reporting.done():
            raise ATT_Error(error_code=IN_PROGRESS)
        self._reporting = asyncio.ensure_future(self._report(value))
        self._radio.news.set()

    async def _report(self, value: bytes) -> None:
        await asyncio.sleep(0)  # the answer to the write goes first
        try:
            asked = parse_record_control(value)
        except ParseError:
            return
        chosen = self._chosen(asked)
        self._radio.cuff.steps.append(f"records {value.hex()}")
        if asked.op != RecordOp.REPORT and not (asked.op == RecordOp.COUNT and self._behaviour.counts):
            reply = answer(asked.op, RecordResult.OP_CODE_NOT_SUPPORTED)
        elif isinstance(chosen, RecordResult):
            reply = answer(asked.op, chosen)
        elif asked.op == RecordOp.COUNT:
            reply = answer_count(len(chosen))
        elif not chosen:
            reply = answer(asked.op, RecordResult.NO_RECORDS)
        else:
            for record in chosen:
                if not await self._notify(record):
                    return
            reply = answer(asked.op, RecordResult.SUCCESS)
        self._answer(Uuid.RECORD_ACCESS_CONTROL_POINT, reply)
        self.stir()

    def _chosen(self, asked: RecordControl) -> list[StoredRecord] | RecordResult:
        records = [record for record in self._memory.records if self._consented and self._tells(record)]
        if asked.operator == Operator.ALL:
            return list(records)
        if asked.operator == Operator.FIRST:
            return records[:1]
        if asked.operator == Operator.LAST:
            return records[-1:]
        if asked.operator == Operator.AT_LEAST and self._behaviour.filters:
            if asked.operand[:1] != bytes([Filter.SEQUENCE_NUMBER]) or len(asked.operand) != 3:
                return RecordResult.OPERAND_NOT_SUPPORTED
            first = int.from_bytes(asked.operand[1:], "little")
            return [record for record in records if record.sequence >= first]
        return RecordResult.OPERATOR_NOT_SUPPORTED

    async def _notify(self, record: StoredRecord) -> bool:
        handle = self._radio.table.characteristics[Uuid.BLOOD_PRESSURE_RECORD].handle
        for segment in build_segments(
            record.sequence, self.measured, record.payload, size=self.connection.att_mtu - 3, crc=self._behaviour.crc
        ):
            if self._radio.step("notify"):
                return False
            self._radio.device.send_value(self.connection, handle, segment, False)
            self.stir()
            await asyncio.sleep(0)
        return True
