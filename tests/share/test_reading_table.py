"""The table of readings, as it stands in wide and in narrow terminals."""

from collections.abc import Callable
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.share.text.layout import cells, columns, visible, wrapped
from collector.share.text.reading_table import BLOCK, View, lines
from collector.store.values import Basis, Reading

Make = Callable[..., Reading]


@pytest.fixture
def household(reading: Make) -> list[Reading]:
    return [
        reading(),
        reading(
            systolic=Decimal(98),
            diastolic=Decimal(101),
            pulse=Decimal(110),
            person=None,
            status=("body movement", "irregular pulse"),
        ),
        reading(
            person="李娜",
            unit="kPa",
            systolic=Decimal("17.1"),
            diastolic=Decimal("10.8"),
            taken_basis=Basis.ARRIVAL,
            taken_uncertainty_s=400.0,
            note="after\ncoffee",
        ),
        reading(systolic=None, diastolic=None, pulse=None, person=None, slot=None, marks=("failed",)),
        reading(systolic=Decimal(191)),
    ]


def view(width: int | None) -> View:
    return View(width, {"C0:FF:EE:00:00:01": "kitchen"}, lambda one: (one.systolic or 0) >= 180)


def test_a_wide_terminal_gets_a_table(household: list[Reading]) -> None:
    assert list(lines(household, view(104))) == [
        "taken                        pressure    pulse  person    cuff     id  remarks",
        "2031-03-04 07:12+01:00   128/81  mmHg   64/min  mira      kitchen  r1",
        "2031-03-04 07:12+01:00    98/101 mmHg  110/min  (slot 1)  kitchen  r1  body movement; irregular pulse",
        "2031-03-04 07:12+01:00  17.1/10.8 kPa   64/min  李娜      kitchen  r1  time of arrival; time within 7",
        "                                                                       minutes; note: after coffee",
        "2031-03-04 07:12+01:00       no value           (nobody)  kitchen  r1  failed",
        "2031-03-04 07:12+01:00   191/81  mmHg   64/min  mira      kitchen  r1  VERY HIGH",
    ]


def test_a_narrow_terminal_gets_a_few_lines_each(household: list[Reading]) -> None:
    assert list(lines(household, view(40))) == [
        "2031-03-04 07:12+01:00",
        "  128/81 mmHg, pulse 64/min",
        "  mira, kitchen, r1",
        "2031-03-04 07:12+01:00",
        "  98/101 mmHg, pulse 110/min",
        "  (slot 1), kitchen, r1",
        "  body movement; irregular pulse",
        "2031-03-04 07:12+01:00",
        "  17.1/10.8 kPa, pulse 64/min",
        "  李娜, kitchen, r1",
        "  time of arrival; time within 7",
        "  minutes; note: after coffee",
        "2031-03-04 07:12+01:00",
        "  no value",
        "  (nobody), kitchen, r1",
        "  failed",
        "2031-03-04 07:12+01:00",
        "  191/81 mmHg, pulse 64/min",
        "  mira, kitchen, r1",
        "  VERY HIGH",
    ]


@pytest.mark.parametrize("width", [24, 30, 40, 60, 80, 100, 160])
def test_no_line_is_wider_than_the_terminal(household: list[Reading], width: int) -> None:
    assert max(map(cells, lines(household, view(width)))) <= width


def test_every_pressure_stands_beside_its_unit(household: list[Reading]) -> None:
    for line in lines(household, view(None)):
        assert "/" not in line[24:] or "mmHg" in line or "kPa" in line


def test_a_pipe_gets_one_line_a_reading(household: list[Reading]) -> None:
    assert len(list(lines(household, view(None)))) == len(household) + 1


def test_a_long_list_streams_and_stays_aligned(reading: Make) -> None:
    asked = 0

    def many() -> object:
        nonlocal asked
        for asked in range(2 * BLOCK):
            yield reading(person="mira" if asked < BLOCK else "a longer name")

    shown = lines(many(), view(None))  # type: ignore[arg-type]
    assert next(shown).startswith("taken")
    assert asked < BLOCK
    rest = list(shown)
    assert len(rest) == 2 * BLOCK
    assert len({line.index("mmHg") for line in rest}) == 1


def test_no_name_or_note_can_steer_the_terminal(reading: Make) -> None:
    evil = "\x1b[2J\x9b1m\u202e\u2028"
    shown = "".join(lines([reading(person=evil, note=evil)], View(None, {"C0:FF:EE:00:00:01": evil})))
    assert shown.isprintable()


@given(st.text(), st.integers(8, 60))
def test_wrapping_loses_no_word_and_keeps_the_width(text: str, width: int) -> None:
    cut = wrapped(visible(text), width)
    assert "".join(cut).replace(" ", "") == "".join(visible(text).split())
    assert all(cells(line) <= width for line in cut)


def test_columns_align_by_what_the_eye_sees() -> None:
    assert list(columns([("李", "1", "x"), ("ab", "23", "y")], None, right=frozenset({1}))) == [
        "李   1  x",
        "ab  23  y",
    ]


def test_whatever_stands_in_a_table_steers_no_terminal() -> None:
    """Seen: `person history` showed the word of a line of the history as it stood there."""
    lines = list(columns([("a\x1b[2J", "b\r\nc"), ("\u202emoc", "d")], None, ("one", "two")))
    assert all(line.isprintable() for line in lines), lines


def test_a_word_without_end_is_wrapped_all_the_same() -> None:
    """Looking at the whole of it for every line takes for ever."""
    lines_of_it = wrapped("é" * 200_000, 80)
    assert {len(line) for line in lines_of_it} == {80}
    assert len(lines_of_it) == 2_500
