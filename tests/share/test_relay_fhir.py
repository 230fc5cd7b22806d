"""Sending on to a FHIR server, over HTTP and HTTPS: once each as the server sees it, whatever goes wrong between.

The server is of our own (tests/support/fhir_server.py), written from FHIR R4's http page: none from a registry runs
here.
"""

import json
import logging
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fhir_server import Shelf, answering, fhir_server
from relaying import Clock, household, write_down
from servers import certificate, free_port

from collector.share.export.context import ExportContext
from collector.share.export.fhir import codes
from collector.share.relay.http_exchange import wait_asked
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent, send
from collector.store import outbox, people, receivers
from collector.store.database import Store

CONTEXT = ExportContext(station="5a" * 16)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with household(tmp_path, "mira", "jon") as store:
        yield store


@pytest.fixture
def server() -> Iterator[tuple[str, Shelf]]:
    with fhir_server() as found:
        yield found


def ids(shelf: Shelf) -> list[str]:
    """Ids of the blood pressures that the server holds, in the order it took them."""
    return [
        part["value"]
        for one in shelf.of("Observation")
        for part in one["identifier"]
        if part["system"] == codes.READING_SYSTEM and "." not in part["value"]
    ]


def test_each_reading_arrives_once_and_in_order(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    clinic = Receiver("clinic", "fhir", url, batch=4)
    sent = [write_down(store, "mira", minute) for minute in range(10)]
    assert send(store, clinic, CONTEXT).fresh == 10
    assert ids(shelf) == sent
    assert shelf.transactions == 3
    assert len(shelf.of("Patient")) == 1, "the same person each time"
    assert len(shelf.of("Observation")) == 20, "a pulse each"
    (patient,) = shelf.of("Patient")
    assert {one["subject"]["reference"] for one in shelf.of("Observation")} == {f"Patient/{patient['id']}"}


def test_a_lost_answer_makes_nothing_twice(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    clinic = Receiver("clinic", "fhir", url)
    sent = [write_down(store, "mira", minute) for minute in range(3)]
    shelf.lost_answers = 2
    clock = Clock()
    for _ in range(2):
        assert "cannot be reached" in (send(store, clinic, CONTEXT, clock=clock).trouble or "")
        clock.forward(hours=1)
    assert send(store, clinic, CONTEXT, clock=clock).fresh == 3
    assert shelf.transactions == 3
    assert ids(shelf) == sent


def test_a_change_reaches_what_is_there(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    clinic = Receiver("clinic", "fhir", url)
    reading_id = write_down(store, "mira", 0)
    send(store, clinic, CONTEXT)
    with store.transaction():
        store.query("UPDATE reading SET person_id = (SELECT id FROM person WHERE name = 'jon'), pulse = NULL")
    assert send(store, clinic, CONTEXT) == Sent(changed=1)
    assert ids(shelf) == [reading_id]
    (pressure,) = shelf.of("Observation")  # the pulse is gone with its value
    named = {f"Patient/{one['id']}": one["identifier"][0]["value"] for one in shelf.of("Patient")}
    assert named[pressure["subject"]["reference"]] == "jon"


def test_a_change_after_a_lost_answer_arrives(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    clinic = Receiver("clinic", "fhir", url)
    write_down(store, "mira", 0)
    shelf.lost_answers = 1
    clock = Clock()
    send(store, clinic, CONTEXT, clock=clock)
    people.rename(store, "mira", "mirabel", clock.now)
    clock.forward(hours=1)
    send(store, clinic, CONTEXT, clock=clock)
    pressures = [one for one in shelf.of("Observation") if "component" in one]
    named = {f"Patient/{one['id']}": one["identifier"][0]["value"] for one in shelf.of("Patient")}
    assert [named[one["subject"]["reference"]] for one in pressures] == ["mirabel"]


def test_what_is_taken_back_is_gone_there(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    clinic = Receiver("clinic", "fhir", url)
    write_down(store, "mira", 0)
    send(store, clinic, CONTEXT)
    with store.transaction():
        store.query("UPDATE reading SET person_id = NULL")
    assert send(store, clinic, CONTEXT) == Sent(gone=1)
    assert shelf.of("Observation") == []


def test_one_bad_reading_holds_up_nobody_else(store: Store, server: tuple[str, Shelf]) -> None:
    url, shelf = server
    bad = write_down(store, "mira", 0, systolic=131)
    good = write_down(store, "jon", 1)
    shelf.refuse = lambda resource: "131" in json.dumps(resource.get("component", ""))
    sent = send(store, Receiver("clinic", "fhir", url), CONTEXT)
    assert (sent.fresh, sent.refused) == (1, 1)
    assert ids(shelf) == [good]
    (refusal,) = outbox.status(store)[0].refusals
    assert (refusal.reading_id, refusal.reason) == (bad, "127.0.0.1 answers 422: this one is not welcome")


@pytest.mark.parametrize(
    ("status", "headers", "words"),
    [
        (503, {"Retry-After": "600"}, "answers 503"),
        (429, {}, "answers 429"),
        (500, {}, "answers 500"),
        (404, {}, "no FHIR server takes transactions at this url"),
        (302, {"Location": "http://elsewhere.example/"}, "302"),
    ],
)
def test_what_the_server_cannot_do_now_waits(
    store: Store, server: tuple[str, Shelf], status: int, headers: dict[str, str], words: str
) -> None:
    url, shelf = server
    write_down(store, "mira", 0)
    shelf.failures = [(status, headers)]
    clock = Clock()
    assert words in (send(store, Receiver("clinic", "fhir", url), CONTEXT, clock=clock).trouble or "")
    due = outbox.status(store)[0].next_at
    assert due is not None
    assert (due - clock.now).total_seconds() == (600 if "Retry-After" in headers else 5)


def test_nobody_there_is_no_loss(store: Store) -> None:
    write_down(store, "mira", 0)
    sent = send(store, Receiver("clinic", "fhir", f"http://127.0.0.1:{free_port()}/fhir"), CONTEXT)
    assert sent.trouble == "127.0.0.1 cannot be reached: Connection refused"
    assert outbox.status(store)[0].waiting == 1


def test_the_token_goes_to_the_server_and_nowhere_else(
    store: Store, server: tuple[str, Shelf], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    url, shelf = server
    shelf.token = "hush-hush"
    write_down(store, "mira", 0)
    token = tmp_path / "token"
    token.write_text("wrong-one\n")
    token.chmod(0o600)
    clinic = Receiver("clinic", "fhir", url, token_file=token)
    caplog.set_level(logging.DEBUG)
    refused = send(store, clinic, CONTEXT)
    assert refused.trouble == "127.0.0.1 answers 401; look at the token file"
    token.write_text("hush-hush\n")
    assert send(store, clinic, CONTEXT, now_please=True).fresh == 1
    assert shelf.seen_headers[-1]["Authorization"] == "Bearer hush-hush"
    told = caplog.text + repr(clinic) + str(outbox.status(store)) + "".join(map(str, store.connection.iterdump()))
    assert "hush" not in told
    assert "wrong-one" not in told


def test_tls_is_verified(store: Store, tmp_path: Path) -> None:
    write_down(store, "mira", 0)
    pem = certificate(tmp_path)
    with fhir_server(pem) as (url, shelf):
        clinic = Receiver("clinic", "fhir", url)
        assert "is not who it says it is" in (send(store, clinic, CONTEXT).trouble or "")
        assert shelf.transactions == 0
        trusting = replace(clinic, ca_file=tmp_path / "cert.pem")
        assert send(store, trusting, CONTEXT, now_please=True).fresh == 1
    with fhir_server(certificate(tmp_path, "another.example")) as (url, shelf):
        write_down(store, "mira", 1)
        other = replace(clinic, url=url, ca_file=tmp_path / "cert.pem")
        assert "is not who it says it is" in (send(store, other, CONTEXT, now_please=True).trouble or "")
        assert shelf.transactions == 0


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"{}",
        b'{"resourceType": "Bundle", "type": "transaction-response"}',
        b'{"resourceType": "Bundle", "type": "transaction-response", "entry": [{"response": {"status": "201"}}]}',
        b"[1]",
        b'{"resourceType": "Bundle", "type": "batch-response", "entry": []}',
    ],
)
def test_what_is_no_acceptance_of_each_leaves_the_outbox_as_it_is(store: Store, answer: bytes) -> None:
    write_down(store, "mira", 0)
    with answering(answer) as url:
        sent = send(store, Receiver("clinic", "fhir", url), CONTEXT)
    assert sent.trouble
    assert (sent.fresh, outbox.status(store)[0].waiting) == (0, 1)


def test_an_answer_without_end_is_not_read_to_its_end(store: Store) -> None:
    write_down(store, "mira", 0)
    with answering(b" " * 3_000_000) as url:
        assert "more than 1000 kB" in (send(store, Receiver("clinic", "fhir", url), CONTEXT).trouble or "")


def test_a_server_that_drips_is_given_up(store: Store) -> None:
    """Each octet comes in time, the answer never."""
    write_down(store, "mira", 0)
    with answering(b"{" + b" " * 1000, pause_s=0.05) as url:
        sent = send(store, Receiver("clinic", "fhir", url, timeout_s=0.5), CONTEXT)
    assert sent.trouble == "127.0.0.1 did not answer in whole within 0.5 s"
    assert receivers.pace(store, 1) == (25, 1.0)


def test_our_token_comes_back_in_no_error(store: Store, server: tuple[str, Shelf], tmp_path: Path) -> None:
    url, shelf = server
    write_down(store, "mira", 0)
    token = tmp_path / "token"
    token.write_text("hush/hush+1")
    token.chmod(0o600)
    shelf.echo = "rejected Bearer hush/hush+1 (hush%2Fhush%2B1)"
    sent = send(store, Receiver("clinic", "fhir", url, token_file=token), CONTEXT)
    assert sent.refused == 1
    (refusal,) = outbox.status(store)[0].refusals
    assert refusal.reason == "127.0.0.1 answers 422: rejected Bearer *** (***)"
    assert "hush" not in "".join(map(str, store.connection.iterdump()))


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("600", 600),
        ("Tue, 04 Mar 2031 12:10:00 GMT", 600),
        ("Tue, 04 Mar 2031 11:00:00 GMT", 0),
        ("99999999999999999999", 86400),
        ("Wed, 05 Mar 2042 12:00:00 GMT", 86400),
        ("soon", None),
        ("", None),
    ],
)
def test_a_pause_is_asked_for_in_seconds_or_by_a_date(text: str, seconds: int | None) -> None:
    """RFC 9110, section 10.2.3."""
    wait = wait_asked(text, datetime(2031, 3, 4, 12, tzinfo=UTC))
    assert (None if wait is None else wait.total_seconds()) == seconds


def test_certificates_that_are_not_there_are_named(store: Store, tmp_path: Path) -> None:
    write_down(store, "mira", 0)
    receiver = Receiver("clinic", "fhir", "https://127.0.0.1:1/fhir", ca_file=tmp_path / "ca.pem")
    assert "ca.pem: no certificates there" in (send(store, receiver, CONTEXT).trouble or "")
