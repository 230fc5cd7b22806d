"""CSV and NDJSON: names, order, precision, and nothing that acts on who reads it."""

import csv
import io
import json
from collections.abc import Callable, Iterator
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.share.export.column_forms import FIELDS, READING
from collector.share.export.context import ExchangeError
from collector.share.export.rows import (
    CSV_FIELDS,
    csv_rows,
    json_rows,
    json_text,
    parse_ndjson,
    write_csv,
    write_ndjson,
)
from collector.store.columns import Kind
from collector.store.values import Basis, Reading

Make = Callable[..., Reading]


def cell_of(name: str, reading: Reading) -> str:
    return dict(zip(CSV_FIELDS, next(csv_rows([reading])), strict=True))[name]


def test_an_object_a_line_with_the_agreed_names_in_their_order(reading: Make) -> None:
    file = io.StringIO()
    assert write_ndjson([reading(status=("body movement",), pulse=None), reading()], file) == 2
    first = json.loads(file.getvalue().splitlines()[0], parse_float=Decimal, parse_int=Decimal)
    assert list(first) == [
        "reading_id",
        "cuff",
        "slot",
        "person",
        "systolic",
        "diastolic",
        "mean",
        "unit",
        "pulse",
        "taken_at",
        "taken_basis",
        "taken_uncertainty_s",
        "received_at",
        "status",
        "features_known",
        "sightings",
        "payload",
        "assessed",
        "stamp",
        "marks",
        "note",
        "status_raw",
    ]
    assert list(first) == list(FIELDS)
    assert first == {
        "reading_id": "r1",
        "cuff": "C0:FF:EE:00:00:01",
        "slot": 1,
        "person": "mira",
        "systolic": 128,
        "diastolic": 81,
        "mean": 97,
        "unit": "mmHg",
        "pulse": None,
        "taken_at": "2031-03-04T07:12:30+01:00",
        "taken_basis": "cuff clock corrected",
        "taken_uncertainty_s": 1,
        "received_at": "2031-03-04T06:13:05.123456+00:00",
        "status": ["body movement"],
        "features_known": True,
        "sightings": 1,
        "payload": "1e80",
        "assessed": ["body movement"],
        "stamp": "2031-03-04T07:11:58",
        "marks": [],
        "note": None,
        "status_raw": 0,
    }


@pytest.mark.parametrize(
    ("sent", "text"),
    [
        ("120", "120"),
        ("120.0", "120.0"),
        ("16.53", "16.53"),
        ("1.2E+2", "120"),
        ("0E-2", "0.00"),
        ("1E-7", "0.0000001"),
    ],
)
def test_numbers_keep_the_digits_that_were_sent(reading: Make, sent: str, text: str) -> None:
    one = reading(systolic=Decimal(sent))
    assert f'"systolic": {text},' in json_rows([one])[0]
    assert cell_of("systolic", one) == text


def test_csv_reads_back_with_a_plain_reader(reading: Make) -> None:
    file = io.StringIO()
    count = write_csv(
        [
            reading(note='said "fine", then\nleft', status=("body movement", "cuff too loose")),
            reading(person=None, slot=None, systolic=None, taken_basis=Basis.ARRIVAL, taken_uncertainty_s=None),
        ],
        file,
    )
    first, second = csv.DictReader(io.StringIO(file.getvalue()))
    assert count == 2
    assert tuple(first) == CSV_FIELDS
    assert first["note"] == 'said "fine", then\nleft'
    assert first["status"] == "body movement; cuff too loose"
    assert first["features_known"] == "true"
    assert (second["person"], second["slot"], second["systolic"], second["taken_uncertainty_s"]) == ("",) * 4
    assert second["taken_basis"] == "arrival"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", "\r=", "'", " \t=", "\n=", "\uff1d", "\uff0b"])
def test_no_text_cell_begins_a_formula_and_one_quote_comes_off_again(reading: Make, start: str) -> None:
    cell = cell_of("note", reading(note=f"{start}1+1"))
    assert cell[0] not in "=+-@\t\r\n\uff1d\uff0b"
    if start.isprintable():
        assert cell.removeprefix("'") == f"{start}1+1"


def test_numbers_below_zero_and_times_are_not_touched(reading: Make) -> None:
    assert cell_of("pulse", reading(pulse=Decimal("-1"))) == "-1"
    assert cell_of("taken_at", reading()) == "2031-03-04T07:12:30+01:00"
    assert cell_of("taken_local", reading()) == "2031-03-04 07:12:30"


@given(st.text())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_a_note_says_rows_stay_rows_and_terminals_stay_still(reading: Make, note: str) -> None:
    one = reading(note=note, person=note)
    line = json_rows([one])[0]
    assert line.isascii()
    assert line.isprintable()
    assert json.loads(line)["note"] == note
    file = io.StringIO()
    write_csv([one], file)
    assert all(char.isprintable() or char == "\n" for char in file.getvalue())
    (found,) = csv.DictReader(io.StringIO(file.getvalue()))
    texts = [one.name for one in READING if one.kind in (Kind.TEXT, Kind.WORDS)]
    assert all(not found[name].startswith(("=", "+", "-", "@", "\t", "\r")) for name in texts)


@given(st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=-10_000, max_value=10_000))
def test_any_decimal_comes_back_from_json_with_its_digits(value: Decimal) -> None:
    back = json.loads(json_text(value), parse_float=Decimal, parse_int=Decimal)
    assert (back, back.as_tuple().exponent) == (value, min(0, int(value.as_tuple().exponent)))


def test_json_of_nested_values_and_of_what_json_lacks() -> None:
    values = {"a": [1, {"b": Decimal("1.50")}], "c": float("inf"), "d": Decimal("NaN"), "e": True}
    assert json_text(values) == ('{"a": [1, {"b": 1.50}], "c": null, "d": null, "e": true}')
    with pytest.raises(TypeError, match="no JSON for object"):
        json_text(object())


def test_rows_stream(reading: Make) -> None:
    """Some hundred are held at once, not all."""
    file = io.StringIO()

    def readings() -> Iterator[Reading]:
        for number in range(2000):
            assert number - file.getvalue().count("\n") < 1000
            yield reading()

    assert write_ndjson(readings(), file) == 2000


def test_what_was_written_reads_back_as_it_was(reading: Make) -> None:
    given = [
        reading(),
        reading(person=None, slot=None, pulse=None, stamp=None, status_raw=None, note="x", marks=("failed",)),
    ]
    file = io.StringIO()
    write_ndjson(given, file)
    assert list(parse_ndjson(file.getvalue().splitlines())) == given


def test_no_readings_are_no_rows() -> None:
    assert json_rows([]) == []
    assert list(csv_rows([])) == []


@pytest.mark.parametrize(("line", "reason"), [("{}", "reading_id is missing"), ("[]", "no JSON object")])
def test_what_is_no_reading_is_told_without_the_library_s_words(line: str, reason: str) -> None:
    with pytest.raises(ExchangeError, match=rf"line 1: .*\({reason}\)"):
        list(parse_ndjson([line]))
