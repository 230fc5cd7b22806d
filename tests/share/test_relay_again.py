"""`relay again`: everything waits anew, and what the receiver may have still does not stay there as it was."""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from fhir_server import Shelf, fhir_server
from relaying import START, Clock, Noting, run, write_down

from collector.intake.erasure import erase_person
from collector.share.export.context import ExportContext, Subject
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent, send, send_again
from collector.store.database import Store
from collector.store.readings import strikes

CONTEXT = ExportContext(station="5a" * 16)


@pytest.fixture
def server() -> Iterator[tuple[Receiver, Shelf]]:
    with fhir_server() as (url, shelf):
        yield Receiver("clinic", "fhir", url), shelf


def held(shelf: Shelf) -> list[tuple[str, str]]:
    """(whose, status) of each Observation there."""
    return sorted(
        (shelf.resources[one["subject"]["reference"]]["identifier"][0]["value"], one["status"])
        for one in shelf.of("Observation")
    )


def test_who_is_erased_before_all_is_sent_again_goes_from_there(store: Store, server: tuple[Receiver, Shelf]) -> None:
    """What the receiver had was forgotten: the erased person's readings stayed there for good."""
    clinic, shelf = server
    write_down(store, "mira", 0)
    write_down(store, "jon", 1)
    send(store, clinic, CONTEXT)
    send_again(store, clinic, START)
    erase_person(store, "jon")
    assert send(store, clinic, CONTEXT) == Sent(changed=1, gone=1)
    assert held(shelf) == [("mira", "final")] * 2


def test_who_was_erased_before_all_was_to_be_sent_again_goes_too(store: Store, server: tuple[Receiver, Shelf]) -> None:
    clinic, shelf = server
    write_down(store, "jon", 1)
    send(store, clinic, CONTEXT)
    erase_person(store, "jon")
    send_again(store, clinic, START)
    assert send(store, clinic, CONTEXT) == Sent(gone=1)
    assert held(shelf) == []


def test_what_is_otherwise_by_then_is_otherwise_there(store: Store, server: tuple[Receiver, Shelf]) -> None:
    """Created on condition it stayed as it was: struck out here, `final` there; the receiver's record of no use."""
    clinic, shelf = server
    struck = write_down(store, "mira", 0)
    send(store, clinic, CONTEXT)
    send_again(store, clinic, START)
    strikes.strike(store, struck, START)
    numbered = replace(CONTEXT, subjects={"mira": Subject("https://clinic.example/records", "4711")})
    send(store, clinic, numbered)
    assert held(shelf) == [("4711", "entered-in-error")] * 2


def test_who_is_not_for_the_receiver_any_longer_is_taken_back(store: Store, clinic: Noting, clock: Clock) -> None:
    """And nothing is said of what was never sent there."""
    for number, person in enumerate(("mira", "jon", None)):
        write_down(store, person, number)
    everybody = Receiver("clinic", "fhir", "https://clinic.example/fhir")
    for receiver in (everybody, replace(everybody, people=("mira",))):
        send_again(store, receiver, START)
        sent = run(store, clinic, clock, receiver)
    assert sent == Sent(changed=1, gone=1)
