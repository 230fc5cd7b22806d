"""The two control points: asking for stored records, and agreeing on a user.

Sources: GATT Specification Supplement, "Record Access Control Point"; User Data Service, "User Control
Point". From memory: that a count has two octets here, and the filter types of this service.
"""

from dataclasses import dataclass
from enum import IntEnum

from construct import Int8ul, Int16ul, Struct

from parsers.declaration import Layout

RACP = Struct("op_code" / Int8ul, "operator" / Int8ul)
RACP_COUNT = Struct(*RACP.subcons, "number_of_records" / Int16ul)
RACP_RESPONSE = Struct(*RACP.subcons, "request_op_code" / Int8ul, "response_value" / Int8ul)
UCP = Struct("op_code" / Int8ul)
UCP_REGISTER = Struct(*UCP.subcons, "consent_code" / Int16ul)
UCP_CONSENT = Struct(*UCP.subcons, "user_index" / Int8ul, "consent_code" / Int16ul)
UCP_DELETE_USERS = Struct(*UCP.subcons, "user_index" / Int8ul)
UCP_RESPONSE = Struct(*UCP.subcons, "request_op_code" / Int8ul, "response_value" / Int8ul)


class RecordOp(IntEnum):
    REPORT = 0x01
    DELETE = 0x02
    ABORT = 0x03
    COUNT = 0x04
    COUNT_RESPONSE = 0x05
    RESPONSE = 0x06
    COMBINED_REPORT = 0x07
    COMBINED_RESPONSE = 0x08


class Operator(IntEnum):
    NULL = 0x00
    ALL = 0x01
    AT_MOST = 0x02
    AT_LEAST = 0x03
    WITHIN = 0x04
    FIRST = 0x05
    LAST = 0x06


class Filter(IntEnum):
    """What the operand of AT_MOST, AT_LEAST and WITHIN counts; from memory for this service."""

    SEQUENCE_NUMBER = 0x01
    USER_FACING_TIME = 0x02


class RecordResult(IntEnum):
    SUCCESS = 0x01
    OP_CODE_NOT_SUPPORTED = 0x02
    INVALID_OPERATOR = 0x03
    OPERATOR_NOT_SUPPORTED = 0x04
    INVALID_OPERAND = 0x05
    NO_RECORDS = 0x06
    ABORT_UNSUCCESSFUL = 0x07
    NOT_COMPLETED = 0x08
    OPERAND_NOT_SUPPORTED = 0x09
    SERVER_BUSY = 0x0A


class UserOp(IntEnum):
    REGISTER = 0x01
    CONSENT = 0x02
    DELETE_DATA = 0x03
    LIST_ALL = 0x04
    DELETE_USERS = 0x05
    RESPONSE = 0x20


class UserResult(IntEnum):
    SUCCESS = 0x01
    OP_CODE_NOT_SUPPORTED = 0x02
    INVALID_PARAMETER = 0x03
    FAILED = 0x04
    NOT_AUTHORIZED = 0x05


def member(kind: type[IntEnum], number: int) -> int:
    """The named number, or the plain one where it is reserved."""
    try:
        return kind(number)
    except ValueError:
        return number


@dataclass(frozen=True, slots=True)
class RecordControl:
    """One value of 0x2A52, request or response. Numbers that are reserved stay plain integers.

    count: of a count or combined response. request, result: of a response: what was asked, and how it went.
    operand: the octets after the fields that this op code has, kept.
    """

    op: int
    operator: int
    operand: bytes = b""
    count: int | None = None
    request: int | None = None
    result: int | None = None


@dataclass(frozen=True, slots=True)
class UserControl:
    """One value of 0x2A9F, request or response. Numbers that are reserved stay plain integers.

    parameter: the octets after the fields that this op code has, kept. A successful registration answers
    with the new user's index in it.
    """

    op: int
    user_index: int | None = None
    consent_code: int | None = None
    request: int | None = None
    result: int | None = None
    parameter: bytes = b""


_RACP, _RACP_COUNT, _RACP_RESPONSE = Layout(RACP), Layout(RACP_COUNT), Layout(RACP_RESPONSE)
_UCP, _UCP_REGISTER, _UCP_CONSENT = Layout(UCP), Layout(UCP_REGISTER), Layout(UCP_CONSENT)
_UCP_DELETE_USERS, _UCP_RESPONSE = Layout(UCP_DELETE_USERS), Layout(UCP_RESPONSE)

_RACP_FORMS: dict[int, Layout] = {
    RecordOp.COUNT_RESPONSE: _RACP_COUNT,
    RecordOp.COMBINED_RESPONSE: _RACP_COUNT,
    RecordOp.RESPONSE: _RACP_RESPONSE,
}
_UCP_FORMS: dict[int, Layout] = {
    UserOp.REGISTER: _UCP_REGISTER,
    UserOp.CONSENT: _UCP_CONSENT,
    UserOp.DELETE_USERS: _UCP_DELETE_USERS,
    UserOp.RESPONSE: _UCP_RESPONSE,
}


def parse_record_control(value: bytes) -> RecordControl:
    """0x2A52, 2 octets or more. Raises ParseError."""
    op, operator, operand = _RACP.read(value)
    if op in (RecordOp.COUNT_RESPONSE, RecordOp.COMBINED_RESPONSE):
        op, operator, count, operand = _RACP_COUNT.read(value)
        return RecordControl(RecordOp(op), member(Operator, operator), operand, count=count)
    if op == RecordOp.RESPONSE:
        op, operator, request, result, operand = _RACP_RESPONSE.read(value)
        return RecordControl(
            RecordOp(op),
            member(Operator, operator),
            operand,
            request=member(RecordOp, request),
            result=member(RecordResult, result),
        )
    return RecordControl(member(RecordOp, op), member(Operator, operator), operand)


def build_record_control(control: RecordControl) -> bytes:
    """Raises ValueError when a number does not fit, or a response lacks its count or result."""
    fields = {
        "op_code": control.op,
        "operator": control.operator,
        "number_of_records": control.count,
        "request_op_code": control.request,
        "response_value": control.result,
    }
    return _RACP_FORMS.get(control.op, _RACP).build(fields, control.operand)


def ask(op: RecordOp, operator: Operator = Operator.ALL) -> bytes:
    """A request without operand: all records, the first or the last one; ABORT takes Operator.NULL."""
    return build_record_control(RecordControl(op, operator))


def ask_from(op: RecordOp, sequence: int) -> bytes:
    """A request for the records from this sequence number on."""
    operand = bytes([Filter.SEQUENCE_NUMBER]) + sequence.to_bytes(2, "little")
    return build_record_control(RecordControl(op, Operator.AT_LEAST, operand))


def answer(request: int, result: RecordResult) -> bytes:
    """How a request went, as a cuff says it."""
    return build_record_control(RecordControl(RecordOp.RESPONSE, Operator.NULL, request=request, result=result))


def answer_count(count: int, op: RecordOp = RecordOp.COUNT_RESPONSE) -> bytes:
    """How many records there are, as a cuff says it."""
    return build_record_control(RecordControl(op, Operator.NULL, count=count))


def parse_user_control(value: bytes) -> UserControl:
    """0x2A9F, 1 octet or more. Raises ParseError."""
    op, parameter = _UCP.read(value)
    named = member(UserOp, op)
    if op == UserOp.REGISTER:
        _, code, rest = _UCP_REGISTER.read(value)
        return UserControl(named, consent_code=code, parameter=rest)
    if op == UserOp.CONSENT:
        _, index, code, rest = _UCP_CONSENT.read(value)
        return UserControl(named, index, code, parameter=rest)
    if op == UserOp.DELETE_USERS:
        _, index, rest = _UCP_DELETE_USERS.read(value)
        return UserControl(named, index, parameter=rest)
    if op == UserOp.RESPONSE:
        _, request, result, rest = _UCP_RESPONSE.read(value)
        index = rest[0] if request == UserOp.REGISTER and result == UserResult.SUCCESS and rest else None
        return UserControl(
            named, index, request=member(UserOp, request), result=member(UserResult, result), parameter=rest
        )
    return UserControl(named, parameter=parameter)


def build_user_control(control: UserControl) -> bytes:
    """Raises ValueError when a number does not fit, or a field that the op code needs is missing."""
    fields = {
        "op_code": control.op,
        "user_index": control.user_index,
        "consent_code": control.consent_code,
        "request_op_code": control.request,
        "response_value": control.result,
    }
    return _UCP_FORMS.get(control.op, _UCP).build(fields, control.parameter)


def consent(user_index: int, consent_code: int) -> bytes:
    """The request to send this user's data. consent_code: 0 to 9999. Raises ValueError."""
    if not 0 <= consent_code <= 9999:
        raise ValueError("a consent code is a number from 0 to 9999")
    return build_user_control(UserControl(UserOp.CONSENT, user_index, consent_code))
