"""A hand-written log: usual names of columns, usual ways to write a time, and what is refused with its reason."""

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from collector.intake.sources.hand_log import HandRow
from collector.intake.sources.hand_log_file import BadLine, DateOrder, LogError, LogReader

LISBON = ZoneInfo("Europe/Lisbon")
NOW = datetime(2031, 6, 1, tzinfo=UTC)


def reader(dates: DateOrder | None = None, as_written: bool = False) -> LogReader:
    return LogReader(lambda wall: wall.replace(tzinfo=LISBON), NOW, dates=dates, as_written=as_written)


def read(text: str, **options: object) -> list[HandRow | BadLine]:
    return list(reader(**options).read(text.encode("utf-8", "surrogatepass"), "log.csv"))  # type: ignore[arg-type]


def one(cells: str, heading: str = "taken_at,systolic,diastolic,pulse", **options: object) -> HandRow | BadLine:
    (row,) = read(f"{heading}\n{cells}\n", **options)
    return row


@pytest.mark.parametrize(
    ("heading", "cells"),
    [
        ("Date,Time,Sys,Dia,HR", "2031-03-04,07:30,128,81,64"),
        ("Timestamp;SYS (mmHg);DIA (mmHg);Pulse (bpm)", "2031-03-04 07:30;128;81;64"),
        ("Measured at\tSystolic\tDiastolic\tHeart rate", "2031-03-04 7:30\t128\t81\t64"),
        ("datetime,sbp,dbp,bpm,unit", "2031/03/04 7:30 am,128,81,64,mmHg"),
        ("time,systolic,diastolic,pulse", "2031-03-04 07:30,128,81,64"),
    ],
)
def test_usual_names_of_columns(heading: str, cells: str) -> None:
    row = one(cells, heading)
    assert isinstance(row, HandRow)
    assert (row.taken_at, row.systolic, row.diastolic, row.pulse) == (
        datetime(2031, 3, 4, 7, 30, tzinfo=LISBON),
        Decimal(128),
        Decimal(81),
        Decimal(64),
    )


@pytest.mark.parametrize(
    ("text", "order", "day"),
    [
        ("04.03.2031 07:30", DateOrder.DMY, (3, 4)),
        ("03/04/2031 07:30", DateOrder.MDY, (3, 4)),
        ("14/03/2031 07:30", None, (3, 14)),
        ("3/14/31 7:30 am", None, (3, 14)),
        ("03/03/2031 07:30", None, (3, 3)),
    ],
)
def test_dates_in_other_orders(text: str, order: DateOrder | None, day: tuple[int, int]) -> None:
    row = one(f"{text},128,81,64", dates=order)
    assert isinstance(row, HandRow)
    assert (row.taken_at.month, row.taken_at.day) == day


@pytest.mark.parametrize(
    ("text", "hours"), [("2031-05-04T06:30Z", 1), ("2031-05-04 06:30:00Z", 1), ("2031-05-04T06:30+00:00", 0)]
)
def test_an_instant_in_utc_says_nothing_of_the_clock_on_the_wall(text: str, hours: int) -> None:
    """RFC 9557, 2.2: a Z says that the offset of the place is not known; +00:00 is the offset of a place."""
    row = one(f"{text},128,81,64")
    assert isinstance(row, HandRow)
    assert (row.taken_at, row.taken_at.utcoffset()) == (datetime(2031, 5, 4, 6, 30, tzinfo=UTC), timedelta(hours=hours))


@pytest.mark.parametrize("text", ["26-03-04 07:30", "14/3/31 7:30", "03.03.31 07:30"])
def test_a_year_of_two_digits_that_may_stand_first_is_asked_about(text: str) -> None:
    bad = one(f"{text},128,81,64")
    assert bad == BadLine(
        2, f"taken_at {text!r} can be read two ways; write the year in four digits, or add --dates dmy or --dates mdy"
    )
    assert isinstance(one(f"{text},128,81,64", dates=DateOrder.DMY), HandRow)


def test_octets_of_another_encoding_are_told() -> None:
    octets = "taken_at,systolic,diastolic\n2031-03-04 07:30,128,81\n".encode("utf-16-le")
    with pytest.raises(LogError, match="line 1: not UTF-8"):
        list(reader().read(octets, "log.csv"))


@pytest.mark.parametrize("text", ["03/04/2031 07:30", "12/04/2031 07:30", "04/12/2031 07:30"])
def test_a_date_that_can_be_read_two_ways_is_asked_about(text: str) -> None:
    bad = one(f"{text},128,81,64")
    assert bad == BadLine(2, f"taken_at {text!r} can be read two ways; add --dates dmy or --dates mdy")


HOSTILE = [
    "2031-03-04 07:30,NaN,81,64",
    "2031-03-04 07:30,Infinity,81,64",
    "2031-03-04 07:30,1e400,81,64",
    "2031-03-04 07:30,1e999999999,81,64",
    "2031-03-04 07:30,-128,81,64",
    f"2031-03-04 07:30,{'9' * 5000},81,64",
    "2031-03-04 07:30,1٢8,81,64",  # a digit of another script
    "2031-03-04T07:30+01:00:30,128,81,64",
    "0001-01-01T00:00+05:00,128,81,64",
    "0001-01-01 00:00,128,81,64",
    "9999-12-31T23:59-05:00,128,81,64",
    "2031-02-30 07:30,128,81,64",
    "30/02/2031 07:30,128,81,64",
    "2031-03-04 13:30 pm,128,81,64",
]


@pytest.mark.parametrize("cells", HOSTILE)
def test_what_nobody_measured_is_refused_with_its_line(cells: str) -> None:
    bad = one(cells, dates=DateOrder.DMY)
    assert isinstance(bad, BadLine)
    assert bad.number == 2
    assert len(bad.reason) < 200


def test_other_units_are_refused() -> None:
    bad = one("2031-03-04 07:30,128,81,stones", "taken_at,systolic,diastolic,unit")
    assert bad == BadLine(2, "unit 'stones': pressures of a log are in mmHg")
    with pytest.raises(LogError, match="in kPa"):
        read("taken_at,sys (kPa),dia (kPa)\n2031-03-04 07:30,17,11\n")


def test_a_lone_surrogate_is_no_text() -> None:
    with pytest.raises(LogError, match="line 2: not UTF-8"):
        read("taken_at,systolic,diastolic,note\n2031-03-04 07:30,128,81,\ud800\n")


def test_the_wrong_way_round_is_asked_about() -> None:
    bad = one("2031-03-04 07:30,80,130,64")
    assert isinstance(bad, BadLine)
    assert "the wrong way round" in bad.reason
    assert isinstance(one("2031-03-04 07:30,80,130,64", as_written=True), HandRow)


def test_an_offset_of_whole_minutes_is_taken() -> None:
    row = one("2031-03-04T07:30+05:45,128,81,64")
    assert isinstance(row, HandRow)
    assert row.taken_at == datetime(2031, 3, 4, 7, 30, tzinfo=timezone(timedelta(hours=5, minutes=45)))
