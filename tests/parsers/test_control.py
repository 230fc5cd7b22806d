"""The control points, both ways."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import control
from parsers.control import (
    Operator,
    RecordControl,
    RecordOp,
    RecordResult,
    UserControl,
    UserOp,
    UserResult,
    build_record_control,
    build_user_control,
    parse_record_control,
    parse_user_control,
)
from parsers.errors import ParseError

PAIRS: Any = [(parse_record_control, build_record_control), (parse_user_control, build_user_control)]


@pytest.mark.parametrize(("parse", "build"), PAIRS)
def test_any_octets_are_refused_or_kept(parse: Any, build: Any) -> None:
    @given(st.binary(max_size=12))
    def kept(value: bytes) -> None:
        try:
            content = parse(value)
        except ParseError:
            return
        assert build(content) == value

    kept()


def test_every_op_code_is_kept() -> None:
    for op in range(256):
        value = bytes([op, 1, 2, 3, 4])
        assert build_record_control(parse_record_control(value)) == value
        assert build_user_control(parse_user_control(value)) == value


@pytest.mark.parametrize(
    ("request_octets", "wire"),
    [
        (control.ask(RecordOp.REPORT), "01 01"),
        (control.ask(RecordOp.COUNT), "04 01"),
        (control.ask(RecordOp.REPORT, Operator.LAST), "01 06"),
        (control.ask(RecordOp.ABORT, Operator.NULL), "03 00"),
        (control.ask_from(RecordOp.REPORT, 0x0102), "01 03 01 02 01"),
        (control.answer(RecordOp.REPORT, RecordResult.SUCCESS), "06 00 01 01"),
        (control.answer_count(258), "05 00 02 01"),
        (control.answer_count(3, RecordOp.COMBINED_RESPONSE), "08 00 03 00"),
        (control.consent(1, 9999), "02 01 0F 27"),
    ],
)
def test_requests_and_answers(request_octets: bytes, wire: str) -> None:
    assert request_octets == bytes.fromhex(wire)


def test_answers_are_named() -> None:
    assert parse_record_control(bytes.fromhex("06 00 01 06")) == RecordControl(
        RecordOp.RESPONSE, Operator.NULL, request=RecordOp.REPORT, result=RecordResult.NO_RECORDS
    )
    assert parse_user_control(bytes.fromhex("20 02 05")) == UserControl(
        UserOp.RESPONSE, request=UserOp.CONSENT, result=UserResult.NOT_AUTHORIZED
    )
    assert parse_user_control(bytes.fromhex("20 01 01 07")).user_index == 7
    assert parse_user_control(bytes.fromhex("20 01 04 07")).user_index is None
    assert parse_user_control(bytes.fromhex("20 02 01 07")).user_index is None
    assert type(parse_record_control(b"\xf0\xf1").op) is int


@pytest.mark.parametrize(
    ("parse", "wire", "field"),
    [
        (parse_record_control, "05 00 01", "number of records"),
        (parse_record_control, "06 00 01", "response value"),
        (parse_record_control, "01", "operator"),
        (parse_record_control, "", "op code"),
        (parse_user_control, "", "op code"),
        (parse_user_control, "02 01 0F", "consent code"),
        (parse_user_control, "20 01", "response value"),
    ],
)
def test_a_cut_is_named(parse: Any, wire: str, field: str) -> None:
    with pytest.raises(ParseError) as caught:
        parse(bytes.fromhex(wire))
    assert (caught.value.field, caught.value.octet) == (field, len(bytes.fromhex(wire)))


def test_what_does_not_fit_is_refused() -> None:
    for consent in ((1, 10000), (1, -1), (256, 5)):
        with pytest.raises(ValueError, match=r"consent code is|cannot be built"):
            control.consent(*consent)
    with pytest.raises(ValueError, match="cannot be built"):
        build_record_control(RecordControl(RecordOp.COUNT_RESPONSE, Operator.NULL))
    with pytest.raises(ValueError, match="cannot be built"):
        control.answer_count(65536)
