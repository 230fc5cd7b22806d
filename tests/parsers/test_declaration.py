"""The derived reader and construct's own parse are one and the same."""

from typing import Any

import construct
import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers import control, device, pressure, record, stamps, status
from parsers.declaration import Layout
from parsers.errors import ParseError

DECLARED = {
    f"{module.__name__}.{name}": declaration
    for module in (control, device, pressure, record, stamps, status)
    for name, declaration in vars(module).items()
    if isinstance(declaration, construct.Struct)
}


def by_construct(declaration: construct.Struct, value: bytes) -> tuple[Any, ...]:
    """What construct itself reads, flattened as Layout does, and the octets left over."""
    whole = construct.Struct(*declaration.subcons, "trailing" / construct.GreedyBytes).parse(value)

    def flat(sub: construct.Struct, content: Any) -> list[Any]:
        fields: list[Any] = []
        for named in sub.subcons:
            inner = getattr(named.subcon, "thensubcon", named.subcon)
            found = None if content is None else content[named.name]
            fields += flat(inner, found) if isinstance(inner, construct.Struct) else [found]
        return fields

    return (*flat(declaration, whole), whole.trailing)


def test_all_formats_are_found() -> None:
    assert len(DECLARED) >= 20


@pytest.mark.parametrize("name", DECLARED)
def test_derived_reader_equals_construct(name: str) -> None:
    declaration = DECLARED[name]
    layout = Layout(declaration)

    @given(st.binary(max_size=32))
    def equal(value: bytes) -> None:
        try:
            expected = by_construct(declaration, value)
        except construct.StreamError:
            with pytest.raises(ParseError):
                layout.read(value)
        else:
            assert layout.read(value) == expected

    equal()


@pytest.mark.parametrize("name", [name for name in DECLARED if name.startswith("parsers.pressure.")])
def test_every_flags_octet_at_every_length(name: str) -> None:
    declaration = DECLARED[name]
    layout = Layout(declaration)
    rest = bytes(range(0x41, 0x41 + 24))
    for flags in range(256):
        value = bytes([flags]) + rest
        for length in range(len(value) + 1):
            try:
                expected = by_construct(declaration, value[:length])
            except construct.StreamError:
                with pytest.raises(ParseError) as caught:
                    layout.read(value[:length])
                assert caught.value.octet == length
            else:
                assert layout.read(value[:length]) == expected


def test_the_field_that_is_cut_is_named() -> None:
    cut = ParseError("second", 3, "cut off at octet 3, the field takes octets 2 to 3")
    layout = Layout(construct.Struct("first" / construct.Int16ul, "second" / construct.Int16ul))
    with pytest.raises(ParseError) as caught:
        layout.read(b"\1\2\3")
    assert vars(caught.value) == vars(cut)
    assert str(caught.value) == "second: cut off at octet 3, the field takes octets 2 to 3"


def test_a_condition_on_another_field_is_refused_when_declared() -> None:
    rest = construct.If(construct.this.length, construct.Int8ul)
    wrong = construct.Struct("length" / construct.Int8ul, "rest" / rest)
    with pytest.raises(AssertionError):
        Layout(wrong)


def test_octets_of_any_kind_are_read() -> None:
    value = bytes.fromhex("00 7800 5000 FF07 AA")
    layout = Layout(pressure.COMPOUND)
    assert layout.read(bytearray(value)) == layout.read(memoryview(value)) == layout.read(value)
    assert type(layout.read(bytearray(value))[-1]) is bytes


@pytest.mark.parametrize(
    ("fields", "why"),
    [({"first": 256}, "256"), ({"first": -1}, "-1"), ({}, "first"), ({"first": None}, "None"), ({"first": "x"}, "x")],
)
def test_what_cannot_be_built_is_a_value_error_on_one_line(fields: dict[str, Any], why: str) -> None:
    layout = Layout(construct.Struct("first" / construct.Int8ul))
    with pytest.raises(ValueError, match=why) as caught:
        layout.build(fields)
    assert "\n" not in str(caught.value)
