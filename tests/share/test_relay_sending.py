"""The outbox and the rules of sending, with a receiver that only notes."""

import subprocess
import sys
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import pytest
from relaying import CLINIC, Clock, Noting, household, run, write_down

from collector import intake
from collector.intake.erasure import erase_person
from collector.share.relay.pace import only_sender
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent, plan
from collector.share.relay.target import Unreachable
from collector.store import outbox, people, receivers
from collector.store.database import Store
from collector.store.merge.people_entries import Entry
from collector.store.opening import open_store
from collector.store.readings import strikes


def take_away(store: Store) -> None:
    """All readings go, as after an erase."""
    with store.transaction():
        store.query("DELETE FROM outcome")
        store.query("DELETE FROM reading")


def test_what_is_there_goes_first_then_what_comes(store: Store, clinic: Noting, clock: Clock) -> None:
    first = [write_down(store, "mira", minute) for minute in range(5)]
    assert run(store, clinic, clock).fresh == 5
    later = write_down(store, "jon", 9)
    assert run(store, clinic, clock).fresh == 1
    assert clinic.fresh == [*first, later]
    assert run(store, clinic, clock) == Sent()
    assert clinic.opened == 2, "no connection where nothing waits"


def test_parcels_are_small(store: Store, clinic: Noting, clock: Clock) -> None:
    for minute in range(7):
        write_down(store, "mira", minute)
    run(store, clinic, clock)
    assert [len(batch.fresh) for batch in clinic.batches] == [3, 3, 1]


def test_a_rebuild_sends_nothing_again(store: Store, clinic: Noting, clock: Clock) -> None:
    for minute in range(4):
        write_down(store, "mira", minute)
    run(store, clinic, clock)
    intake.rebuild(store)
    assert outbox.status(store)[0].waiting == 0, "what did not change is not written, and waits for nobody"
    assert run(store, clinic, clock) == Sent()
    assert len(clinic.fresh) == 4
    assert outbox.status(store)[0].waiting == 0


def test_a_change_goes_as_a_change(store: Store, clinic: Noting, clock: Clock) -> None:
    write_down(store, "mira", 0)
    run(store, clinic, clock)
    people.rename(store, "mira", "mirabel", clock.now)
    assert run(store, clinic, clock) == Sent(changed=1)
    (reading,) = clinic.batches[-1].changed
    assert reading.person == "mirabel"


def test_what_goes_is_taken_back(store: Store, clinic: Noting, clock: Clock) -> None:
    reading_id = write_down(store, "mira", 0)
    run(store, clinic, clock)
    take_away(store)
    assert run(store, clinic, clock) == Sent(gone=1)
    assert clinic.batches[-1].gone == [reading_id]
    assert run(store, clinic, clock) == Sent()


def test_what_goes_is_taken_back_also_after_a_failure(store: Store, clinic: Noting, clock: Clock) -> None:
    reading_id = write_down(store, "mira", 0)
    run(store, clinic, clock)
    with store.transaction():
        store.query("UPDATE reading SET person_id = NULL")
    clinic.trouble = [Unreachable("no network")]
    assert run(store, clinic, clock).gone == 0
    assert run(store, clinic, clock, now_please=True) == Sent(gone=1)
    assert clinic.batches[-1].gone == [reading_id]


def test_what_came_and_went_unsent_is_not_mentioned(store: Store, clinic: Noting, clock: Clock) -> None:
    run(store, clinic, clock)
    write_down(store, "mira", 0)
    take_away(store)
    assert run(store, clinic, clock) == Sent()
    assert clinic.batches == []


def test_what_goes_after_a_lost_answer_is_taken_back(store: Store, clinic: Noting, clock: Clock) -> None:
    """The receiver may have it: nobody can tell whether the first attempt arrived."""
    reading_id = write_down(store, "mira", 0)
    clinic.trouble = [Unreachable("the answer was lost")]
    run(store, clinic, clock)
    take_away(store)
    assert run(store, clinic, clock, now_please=True) == Sent(gone=1)
    assert clinic.batches[-1].gone == [reading_id]
    assert run(store, clinic, clock) == Sent()


def test_what_is_as_it_was_again_after_a_lost_answer_is_sent_again(store: Store, clinic: Noting, clock: Clock) -> None:
    """Struck out by mistake, say: the receiver may have it so."""
    reading_id = write_down(store, "mira", 0)
    run(store, clinic, clock)
    strikes.strike(store, reading_id, clock.now)
    clinic.trouble = [Unreachable("the answer was lost")]
    run(store, clinic, clock)
    strikes.undo(store, reading_id, clock.now)
    assert run(store, clinic, clock, now_please=True) == Sent(changed=1)
    assert not clinic.batches[-1].changed[0].marks
    assert run(store, clinic, clock) == Sent()


def test_what_came_and_went_unsent_is_not_mentioned_beside_others(store: Store, clinic: Noting, clock: Clock) -> None:
    """Not even where the batch had to be sent twice."""
    run(store, clinic, clock)
    write_down(store, "mira", 0)
    take_away(store)
    write_down(store, "jon", 1)
    clinic.trouble = [Unreachable("no network")]
    run(store, clinic, clock)
    assert run(store, clinic, clock, now_please=True) == Sent(fresh=1)
    assert [batch.gone for batch in clinic.batches] == [[]]


def test_nobodys_readings_stay_here_until_they_are_somebodys(store: Store, clinic: Noting, clock: Clock) -> None:
    reading_id = write_down(store, None, 0)
    assert run(store, clinic, clock) == Sent()
    with store.transaction():
        store.query("UPDATE reading SET person_id = (SELECT id FROM person WHERE name = 'jon')")
    assert run(store, clinic, clock).total == 1
    with store.transaction():
        store.query("UPDATE reading SET person_id = NULL")
    assert run(store, clinic, clock) == Sent(gone=1), "it is nobody's again"
    assert clinic.batches[-1].gone == [reading_id]


def test_only_the_people_named_go_there(store: Store, clinic: Noting, clock: Clock) -> None:
    write_down(store, "jon", 0)
    wanted = write_down(store, "mira", 1)
    run(store, clinic, clock, Receiver("clinic", "fhir", "https://clinic.example/fhir", people=("mira",)))
    assert clinic.fresh == [wanted]


def test_weeks_offline_cost_nothing(store: Store, clinic: Noting, clock: Clock) -> None:
    sent = []
    for week in range(6):
        sent.append(write_down(store, "mira", week * 10_080))
        clinic.trouble = [Unreachable("no route to host")]
        assert run(store, clinic, clock, now_please=True).trouble == "no route to host"
        clock.forward(weeks=1)
    (status,) = outbox.status(store)
    assert (status.waiting, status.sent, status.failures, status.trouble) == (6, 0, 6, "no route to host")
    assert run(store, clinic, clock).fresh == 6
    assert clinic.fresh == sent
    (status,) = outbox.status(store)
    assert (status.waiting, status.sent, status.failures, status.trouble) == (0, 6, 0, None)


def test_a_refused_reading_holds_up_its_person_only(store: Store, clinic: Noting, clock: Clock) -> None:
    before = write_down(store, "mira", 0)
    bad = write_down(store, "mira", 1)
    behind = [write_down(store, "mira", minute) for minute in range(2, 6)]
    others = [write_down(store, "jon", minute) for minute in range(10, 14)]
    clinic.dislikes = {bad}
    sent = run(store, clinic, clock)
    assert (sent.fresh, sent.refused, sent.trouble) == (5, 1, None)
    assert clinic.fresh == [before, *others]
    (status,) = outbox.status(store)
    assert status.waiting == 5
    assert [(refusal.person, refusal.reading_id, refusal.reason) for refusal in status.refusals] == [
        ("mira", bad, f"{bad} is not welcome")
    ]
    assert run(store, clinic, clock).total == 0, "the pause is not over"
    clinic.dislikes = set()
    clock.forward(minutes=2)
    assert run(store, clinic, clock).fresh == 5
    assert clinic.fresh == [before, *others, bad, *behind], "in order per person"
    assert outbox.status(store)[0].refusals == ()


def test_the_hold_of_a_stubborn_reading_grows(store: Store, clinic: Noting, clock: Clock) -> None:
    clinic.dislikes = {write_down(store, "mira", 0)}
    waits = []
    for _ in range(3):
        run(store, clinic, clock)
        waits.append(outbox.status(store)[0].refusals[0].next_at - clock.now)
        clock.forward(days=1)
    assert waits == [timedelta(minutes=1), timedelta(minutes=2), timedelta(minutes=4)]


def test_what_changes_while_it_is_sent_is_sent_again(store: Store, clock: Clock) -> None:
    class Slow(Noting):
        def deliver(self, batch) -> None:  # type: ignore[no-untyped-def]
            super().deliver(batch)
            if len(self.batches) == 1:
                people.rename(store, "mira", "mirabel", clock.now)

    slow = Slow()
    write_down(store, "mira", 0)
    run(store, slow, clock)
    assert run(store, slow, clock).changed == 1
    assert [one.person for one in slow.batches[-1].changed] == ["mirabel"]


def test_a_change_after_a_lost_answer_is_no_plain_creation(store: Store, clinic: Noting, clock: Clock) -> None:
    """The receiver may have the earlier state: a conditional create would leave it there."""
    write_down(store, "mira", 0)
    clinic.trouble = [Unreachable("the answer was lost")]
    run(store, clinic, clock)
    people.rename(store, "mira", "mirabel", clock.now)
    clock.forward(hours=1)
    assert run(store, clinic, clock) == Sent(changed=1)


def test_two_at_once_do_not_overtake_each_other(store: Store, clinic: Noting, clock: Clock) -> None:
    """One sends for hours, on a machine that slept meanwhile: nobody else takes over until it ends or dies."""
    write_down(store, "mira", 0)
    row = receivers.enlist(store, "clinic", clock.now)
    with only_sender(store.path, row) as alone:
        assert alone
        clock.forward(hours=9)
        assert run(store, clinic, clock).skipped == "another process is sending there"
    assert run(store, clinic, clock).fresh == 1


def test_a_sender_that_was_killed_gives_way_at_once(store: Store, clinic: Noting, clock: Clock) -> None:
    write_down(store, "mira", 0)
    row = receivers.enlist(store, "clinic", clock.now)
    code = f"""
import pathlib, time
from collector.share.relay.pace import only_sender
with only_sender(pathlib.Path({str(store.path)!r}), {row}):
    print("sending", flush=True)
    time.sleep(600)
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as sender:
        assert sender.stdout
        assert sender.stdout.readline() == "sending\n"
        assert run(store, clinic, clock).skipped == "another process is sending there"
        sender.kill()
        sender.wait()
    assert run(store, clinic, clock).fresh == 1


def test_a_process_that_dies_loses_nothing(tmp_path: Path, clock: Clock) -> None:
    class Dying(Noting):
        def deliver(self, batch) -> None:  # type: ignore[no-untyped-def]
            if len(self.batches) == 1:
                raise KeyboardInterrupt
            super().deliver(batch)

    with household(tmp_path, "mira") as store:
        sent = [write_down(store, "mira", minute) for minute in range(7)]
        dying = Dying()
        with pytest.raises(KeyboardInterrupt):
            run(store, dying, clock)
    with open_store(tmp_path / "quietcuff.db") as again:
        living = Noting()
        run(again, living, clock)
    assert dying.fresh + living.fresh == sent


def test_a_plan_touches_nothing(store: Store, clinic: Noting, clock: Clock) -> None:
    write_down(store, "mira", 0)
    write_down(store, None, 1)
    assert plan(store, CLINIC) == Sent(fresh=1)
    assert outbox.status(store) == []
    run(store, clinic, clock)
    write_down(store, "jon", 2)
    people.rename(store, "mira", "mirabel", clock.now)
    assert plan(store, CLINIC) == Sent(fresh=1, changed=1)
    assert outbox.status(store)[0].waiting == 2


def test_a_receiver_that_lost_everything_gets_everything(store: Store, clinic: Noting, clock: Clock) -> None:
    sent = [write_down(store, "mira", minute) for minute in range(4)]
    run(store, clinic, clock)
    outbox.send_again(store, receivers.enlist(store, "clinic", clock.now))
    run(store, clinic, clock)
    assert [one.reading_id for batch in clinic.batches for one in batch.readings] == sent + sent
    receivers.forget(store, "clinic")
    assert outbox.status(store) == []


class Entering(Noting):
    """Keeps what people entered, and once does not say so."""

    def __init__(self) -> None:
        super().__init__()
        self.kept: list[str] = []
        self.answers = True

    def keep(self, entries: Sequence[Entry]) -> None:
        self.kept.append(repr(entries))
        if not self.answers:
            raise Unreachable("the answer was lost")


def test_what_was_entered_is_told_again_where_an_answer_was_lost(store: Store, clock: Clock) -> None:
    """Somebody added and erased again, say, must not stay there."""
    database, analysis = Entering(), Receiver("analysis", "postgresql", "postgresql://clinic.example/home")
    run(store, database, clock, analysis)
    people.add(store, "guest", clock.now)
    database.answers = False
    run(store, database, clock, analysis)
    erase_person(store, "guest")
    database.answers = True
    run(store, database, clock, analysis, now_please=True)
    run(store, database, clock, analysis)
    assert ["guest" in kept for kept in database.kept] == [False, True, False]
