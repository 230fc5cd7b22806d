"""Nothing a cuff says acts on a terminal."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.device import build_text, parse_text
from parsers.text import LIMIT, printable


@pytest.mark.parametrize(
    ("sent", "shown"),
    [
        (b"BP-100", "BP-100"),
        (b"BP-100\0\0\0", "BP-100"),
        (b"  BP 100 \r\n\0 ", "BP 100"),
        ("Messgerät °C µ 血圧計".encode(), "Messgerät °C µ 血圧計"),
        (b"", ""),
        (b"\0\0", ""),
        (b"\x1b[2J\x1b[31mred", "�[2J�[31mred"),
        (b"\x1b]0;title\x07", "�]0;title�"),
        (b"a\x9b5Ab".decode("latin-1"), "a�5Ab"),
        (b"a\xff\xfeb", "a��b"),
        (b"one\ntwo\ttab\rthree", "one two tab three"),
        ("abc\u202edcba", "abc�dcba"),
        ("a\u2066b\u2069c\u200fd", "a�b�c�d"),
        ("a\u2028b\u2029c", "a�b�c"),
        ("\ufeffname", "name"),
        ("a\ud800b", "a�b"),
        ("tag\U000e0041", "tag�"),
        ("private\ue000", "private�"),
        ("a\u00a0b\u3000c", "a b c"),
        ("e\u0301" + "\u0301" * 50 + "x", "e\u0301\u0301x"),
        ("\u0301x", "x"),
    ],
)
def test_what_is_shown(sent: str | bytes, shown: str) -> None:
    assert printable(sent) == shown


@given(st.binary(max_size=150) | st.text(max_size=150), st.integers(1, 80))
def test_nothing_harmful_is_left(sent: str | bytes, limit: int) -> None:
    shown = printable(sent, limit)
    assert len(shown) <= limit
    categories = {unicodedata.category(character) for character in shown}
    assert not categories & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert shown.isprintable()
    shown.encode("utf-8")
    assert printable(shown, limit) == shown.strip(" ") or limit < 3


@pytest.mark.parametrize(
    "sent",
    [b"x" * 10_000_000, "x" * 10_000_000, b" " * 10_000_000 + b"x", b"\xc3\xa9" * 5_000_000],
    ids=["octets", "text", "blanks", "two-octet characters"],
)
def test_ten_million_octets_are_not_worked_through(sent: str | bytes) -> None:
    shown = printable(sent)
    assert len(shown) <= LIMIT
    assert shown.endswith("…")


def test_a_long_name_is_cut_between_characters() -> None:
    assert printable("é".encode() * 500) == "é" * (LIMIT - 1) + "…"
    assert printable("x" * LIMIT) == "x" * LIMIT
    assert printable("x" * (LIMIT + 1)) == "x" * (LIMIT - 1) + "…"
    assert printable(b"x" * 10 + b"\0" * 490) == "x" * 10


def test_a_limit_must_leave_room() -> None:
    with pytest.raises(ValueError, match="limit"):
        printable("x", 0)


def test_device_information_strings() -> None:
    assert parse_text(build_text("BP-100")) == "BP-100"
    assert parse_text(bytearray(b"BP-100\0")) == "BP-100"
