"""What an older quietcuff derived by other rules is derived again once its store is opened, without `rebuild`."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from older_schema import without_step

from collector.intake import catch_up, interpret, reassign, settle
from collector.intake.correction import Correction, correct_reading, take_back_correction
from collector.intake.sources.hand_log import HandRow
from collector.intake.take_log import take_log
from collector.store import journal, people, readings
from collector.store.database import Store
from collector.store.journal import stations, visits
from collector.store.opening import open_store
from collector.store.people import slot_spans
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime, build_current_time

NOW = datetime(2031, 6, 1, tzinfo=UTC)
AT = datetime(2031, 3, 4, 7, 30, tzinfo=UTC)
CUFF = "C0:FF:EE:00:00:01"


def send(
    store: Store, arrived_at: datetime = AT + timedelta(seconds=20), visit: int | None = None, stamp: datetime = AT
) -> None:
    value = build_measurement(measurement(128, 81, 97, stamp=DateTime.of(stamp.replace(tzinfo=None)), user_id=1))
    kind, source = 0x2A35, "virtual"
    sent = journal.append(
        store, cuff=CUFF, characteristic=kind, value=value, arrived_at=arrived_at, source=source, visit=visit
    )
    interpret(store, sent.payload)


def corrected_before_its_slot_was_given(store: Store) -> str:
    send(store)
    correct_reading(store, next(readings.select(store)).reading_id, Correction(systolic=Decimal(148)), NOW)
    slot_spans.add(store, "ada", CUFF, 1, NOW)
    reassign(store)
    return "UPDATE reading SET person_id = NULL WHERE note IS NOT NULL"


def written_beside_what_is_nobodys(store: Store) -> str:
    send(store)
    take_log(store, [HandRow(AT, Decimal(128), Decimal(81), None, "ada")], NOW)
    return "UPDATE reading SET content_marks = 'copy of a cuff''s reading' WHERE person_id IS NOT NULL"


def met_while_the_clock_was_unsure(store: Store) -> str:
    stations.unsure_clock(store, "boot", 0.0)
    send(store)
    stations.clock_known(store, "boot", 0.0)
    return "UPDATE reading SET time_marks = 'station clock unsure'"


def written_as_what_a_taken_back_correction_said(store: Store) -> str:
    send(store)
    slot_spans.add(store, "ada", CUFF, 1, NOW)
    reassign(store)
    sent = next(readings.select(store)).reading_id
    correct_reading(store, sent, Correction(systolic=Decimal(148)), NOW)
    take_back_correction(store, sent, NOW)
    take_log(store, [HandRow(AT, Decimal(148), Decimal(81), None, "ada")], NOW)
    return "UPDATE reading SET content_marks = 'written twice' WHERE systolic = '148' AND note IS NULL"


def put_right_in_the_log_and_by_a_correction(store: Store) -> str:
    (wrong,) = take_log(store, [HandRow(AT, Decimal(184), Decimal(81), None, "ada")], NOW).reading_ids
    take_log(store, [HandRow(AT, Decimal(148), Decimal(81), None, "ada")], NOW)
    correct_reading(store, wrong, Correction(systolic=Decimal(148)), NOW)
    return "UPDATE reading SET content_marks = '' WHERE systolic = '148' AND note IS NULL"


def left_in_the_cuff_by_two_links_that_broke(store: Store) -> str:
    for days, outcome in ((-9, "cuff left"), (-8, "cuff left"), (1, "link lost"), (2, "link lost"), (3, "cuff left")):
        at = AT + timedelta(days=days)
        visit = visits.open_visit(store, CUFF, "virtual", at)
        visits.learn_value(store, visit, 0x2A2B, build_current_time(at.replace(tzinfo=None)), at)
        if days == 3:
            send(store, at, visit)
        visits.close_visit(store, visit, at, outcome)
        settle(store, visit)
    return "UPDATE reading SET uncertainty_s = NULL"


def written_a_minute_before_what_a_cuff_without_a_clock_sent(store: Store) -> str:
    for days in (0, 1, 2):
        send(store, AT + timedelta(days=days, seconds=100), stamp=AT + timedelta(days=days))
    slot_spans.add(store, "ada", CUFF, 1, NOW)
    reassign(store)
    sent = next(readings.select(store)).taken_at
    take_log(store, [HandRow(sent - timedelta(seconds=65), Decimal(128), Decimal(81), None, "ada")], NOW)
    return "UPDATE reading SET content_marks = '' WHERE cuff_id = (SELECT id FROM cuff WHERE address = 'hand')"


@pytest.mark.parametrize(
    ("story", "step"),
    [
        (corrected_before_its_slot_was_given, "019 followed"),
        (written_beside_what_is_nobodys, "019 followed"),
        (met_while_the_clock_was_unsure, "019 followed"),
        (written_as_what_a_taken_back_correction_said, "020 looked at again"),
        (put_right_in_the_log_and_by_a_correction, "021 put right twice"),
        (left_in_the_cuff_by_two_links_that_broke, "023 broken visits"),
        (written_a_minute_before_what_a_cuff_without_a_clock_sent, "024 copies unsure"),
    ],
)
def test_what_older_rules_derived_is_derived_again(story: Callable[[Store], str], step: str, tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with open_store(path) as store:
        people.add(store, "ada", NOW)
        as_it_was = story(store)
        catch_up(store)
        expected = list(readings.select(store))
        store.query(as_it_was)
        assert list(readings.select(store)) != expected
        without_step(store, step)
    with open_store(path) as store:
        catch_up(store)
        assert list(readings.select(store)) == expected
