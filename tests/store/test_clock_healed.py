"""What was dated by a clock that ran years ahead holds nobody up, and opens no door, once the clock is right."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.store import Store, open_store, outbox, people, receivers
from collector.store.journal import cuffs, pairing
from collector.store.outbox import Waiting
from collector.store.people import open_sittings, page_devices
from collector.store.people.page_devices import DEVICE_LIFE, INVITE_LIFE, Role

FAST, NOW = datetime(2036, 2, 7, 6, 28, tzinfo=UTC), datetime(2031, 3, 4, 12, tzinfo=UTC)
CUFF = "F0:F1:F2:F3:F4:F5"
SLEW = timedelta(seconds=30)
"""A clock that is kept right goes back by so much at times."""


@pytest.fixture
def store(tmp_path: Path) -> Store:
    opened = open_store(tmp_path / "s.db")
    people.add(opened, "mira", NOW)
    return opened


def test_an_invitation_of_2036_is_not_good_for_years(store: Store) -> None:
    token = page_devices.invite(store, None, Role.KEEPER, FAST)
    assert page_devices.admit(store, token, "found on paper", NOW) is None
    assert page_devices.admit(store, token, "phone", FAST - SLEW) is not None
    late = page_devices.invite(store, None, Role.KEEPER, NOW)
    assert page_devices.admit(store, late, "phone", NOW + INVITE_LIFE) is None


def test_a_device_let_in_in_2036_has_to_come_anew_and_is_no_guest_for_six_years(store: Store) -> None:
    own = page_devices.admit(store, page_devices.invite(store, None, Role.KEEPER, FAST), "phone", FAST)
    assert own is not None
    assert page_devices.device_of(store, own, FAST - SLEW)
    assert page_devices.device_of(store, own, NOW) is None
    assert page_devices.device_of(store, own, FAST + DEVICE_LIFE) is None


def test_when_a_device_was_last_here_is_put_right(store: Store) -> None:
    own = page_devices.admit(store, page_devices.invite(store, None, Role.KEEPER, NOW), "phone", NOW)
    assert own is not None
    for at in (FAST, NOW):
        page_devices.note_visit(store, page_devices.every(store)[0], at)
    assert page_devices.every(store)[0].seen_at == NOW


def test_a_sitting_of_2036_is_not_taken_up(store: Store) -> None:
    row = people.need(store, "mira").row
    open_sittings.begin(store, row, 300, FAST)
    assert open_sittings.current(store, row, FAST - SLEW)
    assert open_sittings.current(store, row, NOW) is None


def test_a_receiver_that_failed_in_2036_is_tried_again(store: Store) -> None:
    row = receivers.enlist(store, "clinic", NOW)
    receivers.unreachable(store, row, "no answer", FAST + timedelta(hours=1))
    assert receivers.pausing(store, row, FAST)
    assert not receivers.pausing(store, row, NOW)
    assert not receivers.pausing(store, row, FAST + timedelta(hours=1))


def test_a_person_whose_reading_was_refused_in_2036_is_not_held_up_for_years(store: Store) -> None:
    row = receivers.enlist(store, "clinic", NOW)
    with store.transaction():
        store.query("INSERT INTO outbox (target_id, reading_id) VALUES (?, 'ab')", (row,))
    (waiting,) = outbox.next_batch(store, row, 9, FAST)
    assert isinstance(waiting, Waiting)
    outbox.note_refusal(store, row, waiting, "no such person", FAST, timedelta(minutes=4))
    assert not outbox.next_batch(store, row, 9, FAST)
    assert outbox.next_batch(store, row, 9, FAST + timedelta(minutes=5))
    assert outbox.next_batch(store, row, 9, NOW)


def test_a_door_that_was_opened_in_2036_is_shut(store: Store) -> None:
    cuffs.open_window(store, FAST + timedelta(minutes=5), FAST)
    assert cuffs.window(store, FAST - SLEW)
    assert cuffs.window(store, FAST + timedelta(minutes=5)) is None
    assert cuffs.window(store, NOW) is None


def test_a_name_that_was_waited_for_in_2036_is_not_waited_for_years(store: Store) -> None:
    cuffs.await_name(store, "Practice cuff", FAST + timedelta(minutes=5))
    assert cuffs.awaited(store, FAST - SLEW) == {"Practice cuff"}
    assert not cuffs.awaited(store, NOW)


def test_nobody_stands_at_a_cuff_for_years(store: Store) -> None:
    pairing.wait(store, pairing.ANY, FAST + timedelta(minutes=5))
    pairing.ask(store, CUFF, None, FAST)
    assert pairing.present(store, CUFF, FAST - SLEW)
    assert pairing.anywhere(store, FAST - SLEW)
    assert pairing.questions(store, FAST)
    assert not pairing.present(store, CUFF, NOW)
    assert not pairing.anywhere(store, NOW)
    assert not pairing.questions(store, NOW)
