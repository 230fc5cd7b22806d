"""Where the newest readings are shown follows what the receiver has, whatever ends a run between the two."""

from contextlib import suppress
from unittest.mock import Mock

import pytest
from relaying import Clock, Noting, run, write_down

from collector.intake.erasure import erase_person
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent
from collector.share.relay.target import RefusedByReceiver, Unreachable
from collector.store.database import Store

BOARD = Receiver("board", "mqtt", "mqtt://127.0.0.1", last=True)


@pytest.mark.parametrize("end", [KeyboardInterrupt(), Unreachable("the broker has gone")])
def test_who_was_erased_is_taken_down_by_the_next_run(
    store: Store, clinic: Noting, clock: Clock, monkeypatch: pytest.MonkeyPatch, end: BaseException
) -> None:
    """Killed, or the broker lost, once it was told that the readings are gone: then nothing waits any longer."""
    write_down(store, "mira", 0)
    write_down(store, "jon", 1)
    run(store, clinic, clock, BOARD)
    assert set(clinic.shown) == {"mira", "jon"}
    erase_person(store, "jon")
    with monkeypatch.context() as patched, suppress(KeyboardInterrupt):
        patched.setattr(clinic, "show", Mock(side_effect=end))
        run(store, clinic, clock, BOARD)
    run(store, clinic, clock, BOARD, now_please=True)
    assert clinic.shown == ["mira"]
    opened = clinic.opened
    assert run(store, clinic, clock, BOARD) == Sent()
    assert clinic.opened == opened, "no connection where all is shown"


def test_what_is_not_let_on_the_board_waits_for_the_next_reading(
    store: Store, clinic: Noting, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(store, clinic, clock, BOARD)
    write_down(store, "mira", 0)
    with monkeypatch.context() as patched:
        patched.setattr(clinic, "show", Mock(side_effect=RefusedByReceiver("too long")))
        assert run(store, clinic, clock, BOARD).trouble == "too long"
    assert run(store, clinic, clock, BOARD) == Sent()
    write_down(store, "mira", 1)
    run(store, clinic, clock, BOARD)
    assert clinic.shown == ["mira"]
