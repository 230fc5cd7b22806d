"""The same value at each door, the same verdict: a log, a correction, the office, the page; and what was let in comes
back out, and in again.
"""

from collections.abc import Callable
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector import intake
from collector.intake.sources.hand_log import HandRow
from collector.intake.sources.hand_log_file import LogReader
from collector.store import people
from collector.store.acceptable import typed_number, typed_pressures
from collector.store.errors import StoreError
from collector.store.journal import cuffs
from collector.store.opening import open_store
from collector.store.people import loans, notes, office_visits, slot_spans
from collector.store.people.loan_states import State
from collector.store.unreadable import unreadable_values

CUFF = "C0:FF:EE:00:00:01"
NOW = datetime(2031, 3, 20, 12, tzinfo=UTC)
ODD = (
    "NaN", "Infinity", "1e400", "1e999999999", "-0", "-120", "9" * 5000, "１２０", "120,5", "120.5", "1_000", " 120 ",
    "+120", "0x78", "", "120 mmHg", "120.", ".5", "0.5", "0", "00120", "139.123456789", "139.12345678", "400", "400.5",
    "401", "1", "1" * 12, "120\0", "1\u200b20", "\ufeff120", "٣", "²",
)  # fmt: skip


def verdict(read: Callable[[], object]) -> object:
    try:
        return read()
    except ValueError:
        return "refused"


def in_a_log(text: str) -> object:
    quoted = text.replace('"', '""')
    log = f'taken_at;systolic;diastolic\n2031-03-04 07:30;"{quoted}";"1"\n'
    try:
        rows = list(LogReader(lambda wall: wall.replace(tzinfo=UTC), NOW, as_written=True).read(log.encode(), "log"))
    except Exception:
        return "refused"
    return rows[0].systolic if rows and isinstance(rows[0], HandRow) else "refused"


@pytest.mark.parametrize("text", ODD)
def test_an_odd_number_is_the_same_at_each_door(text: str) -> None:
    same_at_each_door(text)


@given(st.text("0123456789.,+-eE_ xNa\u0663１", max_size=8))
@settings(max_examples=200)
def test_a_number_is_the_same_at_each_door(text: str) -> None:
    same_at_each_door(text)


def same_at_each_door(text: str) -> None:
    typed = verdict(lambda: typed_number(text, "systolic"))
    assert in_a_log(text) == typed
    pair = verdict(lambda: typed_pressures(f"{text}/1")[0])
    assert pair == (typed if typed == "refused" or typed > 1 else "refused")  # type: ignore[operator]


@pytest.mark.parametrize("text", ["139.12345678/88", "1/1", "400/1", "0139/088", "139,5/88,25", "300.5/300"])
def test_what_the_office_takes_can_be_read_again(text: str, tmp_path: Path) -> None:
    """`office add mira 139.123456789/88` was taken, and then no average and no list of hers came any more."""
    with open_store(tmp_path / "store.db") as store:
        people.add(store, "mira", NOW)
        if isinstance(pair := verdict(lambda: typed_pressures(text)), tuple):
            office_visits.add(store, "mira", date(2031, 3, 4), [pair], NOW)
        office_visits.every(store, "mira")
        assert [*unreadable_values(store)] == []


def test_pressures_that_the_store_cannot_keep_are_refused_by_it(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.db") as store:
        people.add(store, "mira", NOW)
        for odd in (Decimal("139.123456789"), Decimal("0.5"), Decimal("NaN")):
            with pytest.raises(StoreError):
                office_visits.add(store, "mira", date(2031, 3, 4), [(odd, Decimal(80))], NOW)


@pytest.mark.parametrize("day", [date(1, 1, 1), date(1899, 12, 31), date(2200, 1, 1), date(9999, 12, 31)])
def test_a_day_that_nobody_can_mean_is_refused_whoever_asks(day: date, tmp_path: Path) -> None:
    """The page takes what a browser sends: whatever reckons with days around it would be beyond the calendar."""
    with open_store(tmp_path / "store.db") as store:
        people.add(store, "mira", NOW)
        with pytest.raises(StoreError, match="1900 to 2199"):
            notes.add(store, "mira", day, "tablet", notes.OTHER, NOW)
        with pytest.raises(StoreError, match="1900 to 2199"):
            office_visits.add(store, "mira", day, [(Decimal(139), Decimal(88))], NOW)


def test_what_people_write_is_taken_here_as_a_merge_takes_it(tmp_path: Path) -> None:
    """A form may send any character: one that a merge refuses would keep the whole store out of every other."""
    with open_store(tmp_path / "store.db") as store, open_store(tmp_path / "other.db") as other:
        people.add(store, "mira", NOW)
        for text in ("new\0tablet", "\ud800"):
            with pytest.raises(StoreError, match="character that is none"):
                notes.add(store, "mira", date(2031, 3, 4), text, notes.OTHER, NOW)
            with pytest.raises(StoreError, match="character that is none"):
                loans.set_state(store, CUFF, State.AVAILABLE, NOW, text)
        with pytest.raises(StoreError, match="more than"):
            loans.set_state(store, CUFF, State.AVAILABLE, NOW, "x" * 5000)
        intake.merge(other, tmp_path / "store.db")


def test_a_dose_is_noted_in_digits_that_every_machine_reads(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.db") as store:
        people.add(store, "mira", NOW)
        for text in ("１２:３０", "24:00", "12:30:60", "7", "٣:٣٠"):
            with pytest.raises(StoreError, match="only its time"):
                notes.add(store, "mira", date(2031, 3, 4), text, notes.DOSE, NOW)


REFUSED = "1900 to 2199|no clock of the world|not of whole minutes .* with [+]00:00"


@pytest.mark.parametrize(
    "text",
    [
        "0001-01-01T00:00+14:00", "1700-01-01T00:00Z", "9999-12-31T23:59:59-12:00", "2200-01-01T00:00Z",
        "2031-03-04T07:30+01:00:30", "2031-03-04T07:30+23:00",
    ],
)  # fmt: skip
def test_a_time_that_nobody_can_mean_is_refused_whoever_asks(text: str, tmp_path: Path) -> None:
    """`person give --since 9999-12-31T23:59-12:00` was taken, and then `person list` came no more, nor any merge."""
    given_time = datetime.fromisoformat(text)
    with open_store(tmp_path / "store.db") as store:
        people.add(store, "mira", NOW)
        cuffs.remember(store, CUFF, NOW)
        row = slot_spans.add(store, "mira", CUFF, 1, NOW)
        for slot, bounds in ((2, {"since": given_time}), (3, {"until": given_time})):
            with pytest.raises(StoreError, match=REFUSED):
                slot_spans.add(store, "mira", CUFF, slot, NOW, **bounds)  # type: ignore[arg-type]
        with pytest.raises(StoreError, match=REFUSED):
            slot_spans.end(store, row, given_time, NOW)
        loans.set_state(store, CUFF, State.AVAILABLE, NOW)
        loans.lend(store, CUFF, "B-117", (4,), NOW)
        with pytest.raises(StoreError, match=rf"{REFUSED}|not come"):
            loans.set_lent_at(store, CUFF, given_time, NOW)
