"""What one station's rule takes away, and another station has still: what was said of it there holds of the reading."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from collector.intake import giving, merge, rebuild
from collector.intake.correction import Correction, correct_reading
from collector.intake.erasure import erase_person
from collector.intake.pipeline import catch_up, reassign
from collector.service.jobs import retention
from collector.store import journal, people, readings
from collector.store.database import Store
from collector.store.opening import open_store
from collector.store.people import slot_spans
from collector.store.readings import strikes
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime

AT = datetime(2031, 3, 1, 7, tzinfo=UTC)
SAID = AT + timedelta(days=2)
LATER = AT + timedelta(days=100)
CUFF = "C0:FF:EE:00:00:01"
VALUE = build_measurement(measurement(150, 90, 110, stamp=DateTime.of(AT.replace(tzinfo=None)), user_id=1))


def hear(store: Store, at: datetime) -> None:
    journal.append(store, cuff=CUFF, characteristic=0x2A35, value=VALUE, arrived_at=at, source="virtual")
    catch_up(store)


def told(store: Store) -> list[tuple[int, str | None, tuple[str, ...]]]:
    return [(int(one.systolic or 0), one.person, one.marks) for one in readings.select(store)]


Two = tuple[Store, Store]


@pytest.fixture
def two(tmp_path: Path) -> Iterator[Two]:
    """Both heard the cuff's one record, the first an hour before the second, whose store it took in."""
    with open_store(tmp_path / "first.db") as first, open_store(tmp_path / "second.db") as second:
        for name in ("mira", "guest"):
            people.add(first, name, AT)
        hear(first, AT + timedelta(minutes=1))
        slot_spans.add(first, "mira", CUFF, 1, AT)
        reassign(first)
        with open_store(tmp_path / "others.db") as others:  # the people, and nothing that was heard
            for table in ("person", "cuff", "span"):
                for row in first.query(f"SELECT * FROM {table}").fetchall():
                    others.query(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)
        merge(second, tmp_path / "others.db")
        hear(second, AT + timedelta(hours=1))
        merge(first, second.path)
        yield first, second


def thin_out(store: Store) -> None:
    assert retention.apply(store, 30, LATER).kinds == {"copies": 1}


@pytest.mark.parametrize("into_first", [True, False])
@pytest.mark.parametrize(
    ("say", "holds"),
    [
        (lambda store, one: giving.give(store, one, "guest", SAID), [(150, "guest", ())]),
        (lambda store, one: giving.make_nobodys(store, one, SAID), [(150, None, ())]),
        (lambda store, one: strikes.strike(store, one, SAID), [(150, "mira", ("struck out",))]),
        (
            lambda store, one: correct_reading(store, one, Correction(systolic=Decimal(140)), SAID),
            [(150, "mira", ("corrected",)), (140, "mira", ())],
        ),
    ],
    ids=["claimed", "released", "struck out", "corrected"],
)
def test_what_is_said_elsewhere_of_a_copy_holds(
    two: Two, say: Callable[[Store, str], object], holds: object, into_first: bool
) -> None:
    """Seen: the other's word went with the copy, and the reading was the slot's owner's again, or counted again."""
    first, second = two
    with second.roomy():
        say(second, next(readings.select(second)).reading_id)
    thin_out(first)
    for into, other in ((first, second), (second, first)) if into_first else ((second, first), (first, second)):
        merge(into, other.path)
    for store in two:
        assert told(store) == holds
        rebuild(store)
        assert told(store) == holds
    for into, other in ((first, second), (second, first)):  # again, and nothing is new
        assert merge(into, other.path).payloads == 0
        assert told(into) == holds


def test_of_two_words_the_later_holds(two: Two) -> None:
    first, second = two
    giving.give(second, next(readings.select(second)).reading_id, "guest", SAID)
    thin_out(first)
    giving.make_nobodys(first, next(readings.select(first)).reading_id, SAID + timedelta(hours=1))
    for into, other in ((first, second), (second, first)):
        merge(into, other.path)
        assert told(into) == [(150, None, ())]


def test_a_rule_takes_nothing_away_elsewhere(two: Two) -> None:
    first, second = two
    thin_out(first)
    merge(second, first.path)
    assert journal.counts(second).payloads == 2
    merge(first, second.path)
    assert journal.counts(first).payloads == 1


def test_copies_go_everywhere_with_whom_is_erased(two: Two) -> None:
    first, second = two
    merge(second, first.path)
    giving.give(second, next(readings.select(second)).reading_id, "guest", SAID)
    merge(first, second.path)
    thin_out(first)
    erase_person(first, "guest")
    merge(second, first.path)
    assert told(second) == []
    assert journal.counts(second).payloads == 0
