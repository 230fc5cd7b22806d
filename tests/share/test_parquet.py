"""Parquet files read back by pyarrow: the columns are as documented and say what the readings said."""

import io
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from pyarrow import parquet

from collector.share.export.context import ExportContext
from collector.share.export.parquet import write_parquet
from collector.store.values import Basis, Reading

Make = Callable[..., Reading]


def table(readings: list[Reading]) -> list[dict[str, object]]:
    file = io.BytesIO()
    assert write_parquet(readings, file, ExportContext()) == len(readings)
    return parquet.read_table(io.BytesIO(file.getvalue())).to_pylist()


def test_a_row_says_what_the_reading_said(reading: Make) -> None:
    (row,) = table([reading(systolic=Decimal("128.0"), status=("irregular pulse",), status_raw=4)])
    assert (row["systolic"], row["diastolic"], row["systolic_mmhg"]) == ("128.0", "81", 128.0)
    assert row["taken_at"] == datetime(2031, 3, 4, 6, 12, 30, tzinfo=UTC)
    assert row["taken_local"] == datetime(2031, 3, 4, 7, 12, 30)
    assert row["taken_offset_min"] == 60
    assert row["received_at"] == datetime(2031, 3, 4, 6, 13, 5, 123456, tzinfo=UTC)
    assert (row["status"], row["status_raw"], row["person"]) == (["irregular pulse"], 4, "mira")


def test_what_is_missing_is_null(reading: Make) -> None:
    (row,) = table(
        [
            reading(
                cuff="hand",
                slot=None,
                mean=None,
                pulse=None,
                stamp=None,
                person=None,
                assessed=(),
                taken_basis=Basis.HAND,
                taken_uncertainty_s=None,
                status_raw=None,
            )
        ]
    )
    empty = {name for name, value in row.items() if value is None}
    assert empty == {
        "slot",
        "person",
        "mean",
        "mean_mmhg",
        "pulse",
        "pulse_bpm",
        "stamp",
        "taken_uncertainty_s",
        "status_raw",
        "note",
    }
    assert row["assessed"] == []


def test_kilopascals_stay_and_are_converted(reading: Make) -> None:
    (row,) = table([reading(unit="kPa", systolic=Decimal("16.0"))])
    assert (row["systolic"], row["unit"], row["systolic_mmhg"]) == ("16.0", "kPa", 120.0)


def test_no_readings_make_a_file_with_the_columns() -> None:
    file = io.BytesIO()
    assert write_parquet([], file, ExportContext()) == 0
    assert parquet.read_schema(io.BytesIO(file.getvalue())).names[:3] == ["reading_id", "cuff", "slot"]


def test_rows_are_written_in_groups(reading: Make) -> None:
    file = io.BytesIO()
    one = reading()
    many = (reading(reading_id=str(n), taken_at=one.taken_at + timedelta(minutes=n)) for n in range(20_001))
    assert write_parquet(many, file, ExportContext()) == 20_001
    assert parquet.ParquetFile(io.BytesIO(file.getvalue())).num_row_groups == 2


def test_without_pyarrow_the_extra_is_named() -> None:
    code = (
        "import sys; sys.modules['pyarrow'] = None\n"
        "from collector.share.export.parquet import write_parquet\n"
        "from collector.share.export.context import ExportContext, ExchangeError\n"
        "try: write_parquet([], None, ExportContext())\n"
        "except ExchangeError as error: print(error)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "Parquet needs the extra 'parquet': pip install 'quietcuff[parquet]'\n"
