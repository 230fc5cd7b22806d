"""The average that the physician decides on, and its page, in the record beside the readings; replaced, not added."""

import base64
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fhir_server import Shelf, fhir_server
from measured import MONDAY, append, make_store, week

from collector.intake import catch_up
from collector.intake.erasure import erase_person
from collector.service.config import parse
from collector.service.jobs.export_context import export_context
from collector.share.export.fhir import codes
from collector.share.relay.fhir_server import FhirServer
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent, send, send_again
from collector.share.relay.target import SeriesNews, Unreachable
from collector.store import receivers
from collector.store.database import Store
from collector.store.opening import open_store

CONFIG = parse('[people.mira]\nprotocol = "nice-ng136"\n')


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    rows = [*week(MONDAY, 138, 86), *week(MONDAY, 120, 75, days=1, slot=2)]
    with open_store(make_store(tmp_path / "home.db", rows, {"mira": 1, "rui": 2})) as store:
        yield store


@pytest.fixture
def server() -> Iterator[tuple[str, Shelf]]:
    with fhir_server() as found:
        yield found


def clinic(url: str, **more: Any) -> Receiver:
    return replace(Receiver("clinic", "fhir", url, averages=True), **more)


def averages(shelf: Shelf) -> list[dict[str, Any]]:
    return [one for one in shelf.of("Observation") if one["identifier"][0]["system"] == codes.AVERAGE_SYSTEM]


def means(shelf: Shelf) -> list[list[float]]:
    return [[part["valueQuantity"]["value"] for part in one["component"][:2]] for one in averages(shelf)]


def measure(store: Store, day: int, systolic: int, slot: int = 1) -> None:
    at = MONDAY + timedelta(days=day, hours=7)
    for minute in (0, 2):
        append(store, (at + timedelta(minutes=minute), systolic, 85, 64, 0, slot), at + timedelta(minutes=minute + 1))
    catch_up(store)


def test_a_series_has_one_average_that_is_replaced_as_it_grows(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    assert send(store, clinic(url), export_context(store, CONFIG)) == Sent(fresh=32)
    (first,) = averages(shelf)
    assert first["extension"][1]["valueCodeableConcept"]["text"] == "nice-ng136"
    assert len(first["derivedFrom"]) == first["extension"][0]["valueQuantity"]["value"]
    before = means(shelf)
    measure(store, 7, 170)
    assert send(store, clinic(url), export_context(store, CONFIG)) == Sent(fresh=2)
    (again,) = averages(shelf)
    assert (again["id"], again["identifier"]) == (first["id"], first["identifier"])
    assert means(shelf) != before
    transactions = shelf.transactions
    assert send(store, clinic(url), export_context(store, CONFIG)) == Sent()
    assert shelf.transactions == transactions


def test_a_later_series_stands_beside_the_earlier_and_erasing_takes_both(
    store: Store, server: tuple[str, Shelf]
) -> None:
    url, shelf = server
    receiver = clinic(url, report=True)
    send(store, receiver, export_context(store, CONFIG))
    for row in week(MONDAY + timedelta(days=60), 125, 80):
        append(store, row, row[0] + timedelta(seconds=30))
    catch_up(store)
    send(store, receiver, export_context(store, CONFIG))
    assert len(averages(shelf)) == 2
    pages = shelf.of("DocumentReference")
    assert len(pages) == 2
    for page in pages:
        attachment = page["content"][0]["attachment"]
        assert attachment["contentType"] == "application/pdf"
        assert base64.b64decode(attachment["data"]).startswith(b"%PDF-")
        assert page["subject"]["reference"] == averages(shelf)[0]["subject"]["reference"]
    erase_person(store, "mira")
    catch_up(store)
    send(store, receiver, export_context(store, CONFIG))
    assert averages(shelf) == shelf.of("DocumentReference") == []


def test_a_receiver_that_was_of_another_kind_before_has_no_averages(store: Store, server: tuple[str, Shelf]) -> None:
    """What it had beside readings is no list of series."""
    url, shelf = server
    receivers.keep_entered(store, receivers.enlist(store, "clinic", MONDAY), bytes(range(240, 256)))
    send_again(store, clinic(url), MONDAY)
    assert send(store, clinic(url), export_context(store, CONFIG)) == Sent(fresh=32)
    assert len(averages(shelf)) == 1


def test_an_average_of_the_erased_is_taken_back_also_after_again(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    receiver = clinic(url)
    send(store, receiver, export_context(store, CONFIG))
    send_again(store, receiver, MONDAY)
    erase_person(store, "mira")
    catch_up(store)
    send(store, receiver, export_context(store, CONFIG))
    assert averages(shelf) == []


def test_a_series_that_is_valid_no_longer_is_taken_back(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    send(store, clinic(url), export_context(store, CONFIG))
    with store.transaction():
        until = int((MONDAY + timedelta(days=3)).timestamp() * 1_000_000)
        store.query("UPDATE reading SET content_marks = 'struck out' WHERE taken_at >= ? AND slot = 1", (until,))
    send(store, clinic(url), export_context(store, CONFIG))
    assert averages(shelf) == []


@pytest.mark.parametrize("known", [False, True])
def test_after_a_lost_answer_it_is_put_right_also_where_all_is_as_it_was(
    store: Store, server: tuple[str, Shelf], monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    """Readings struck out for a moment, say; or an average that was sent and is none any longer."""
    url, shelf = server

    def mark(marks: str) -> None:
        with store.transaction():
            store.query(
                "UPDATE reading SET content_marks = ? WHERE slot = 1 AND CAST(systolic AS REAL) > 138", (marks,)
            )

    def answer_is_lost(target: FhirServer, news: SeriesNews) -> None:
        keep_series(target, news)
        raise Unreachable("the answer was lost")

    keep_series = FhirServer.keep_series
    if known:
        send(store, clinic(url), export_context(store, CONFIG))
    before = means(shelf)
    mark("struck out" if known else "")
    monkeypatch.setattr(FhirServer, "keep_series", answer_is_lost)
    assert send(store, clinic(url), export_context(store, CONFIG)).trouble
    assert means(shelf) != before
    monkeypatch.undo()
    if known:
        mark("")
    else:
        with store.transaction():
            store.query("UPDATE reading SET content_marks = 'struck out' WHERE slot = 1")
    send(store, clinic(url), export_context(store, CONFIG), now_please=True)
    assert means(shelf) == before


def test_it_is_off_unless_asked_for_and_keeps_to_the_receivers_people(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    send(store, clinic(url, averages=False), export_context(store, CONFIG))
    send(store, clinic(url, name="other", people=("rui",)), export_context(store, CONFIG))
    assert averages(shelf) == []


def test_a_refused_average_stops_no_reading(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    shelf.refuse = lambda resource: resource.get("identifier", [{}])[0].get("system") == codes.AVERAGE_SYSTEM
    sent = send(store, clinic(url), export_context(store, CONFIG))
    assert (sent.fresh, sent.trouble) == (32, "127.0.0.1 answers 422: this one is not welcome")
    shelf.refuse = lambda resource: False
    measure(store, 7, 170)
    assert send(store, clinic(url), export_context(store, CONFIG)) == Sent(fresh=2)
    assert len(averages(shelf)) == 1


def test_an_average_that_found_no_way_is_sent_with_the_next_try(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    shelf.failures = []
    receiver = clinic(url, batch=5000)
    real = shelf.transaction

    def gone_after_the_readings(bundle: dict[str, Any]) -> dict[str, Any]:
        answer = real(bundle)
        shelf.failures = [(503, {})]
        return answer

    shelf.transaction = gone_after_the_readings  # type: ignore[method-assign]
    assert send(store, receiver, export_context(store, CONFIG)).fresh == 32
    assert averages(shelf) == []
    shelf.transaction = real  # type: ignore[method-assign]
    shelf.failures = []
    send(store, receiver, export_context(store, CONFIG), now_please=True)
    assert len(averages(shelf)) == 1
