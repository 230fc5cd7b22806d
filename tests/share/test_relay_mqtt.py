"""Sending on to a real MQTT 5 broker (Mosquitto): QoS 1, the newest retained, TLS, passwords, and its absence."""

import gc
import json
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from relaying import Clock, household, write_down
from servers import certificate, free_port, listening, mosquitto

from collector.share.export.context import ExportContext
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent, send
from collector.store import outbox
from collector.store.database import Store

pytestmark = pytest.mark.system

CONTEXT = ExportContext(station="5a5a")
OPEN = ("allow_anonymous true", "persistence false")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with household(tmp_path, "mira", "jon") as store:
        yield store


def home(port: int, **more: object) -> Receiver:
    return replace(Receiver("home", "mqtt", f"mqtt://127.0.0.1:{port}"), **more)  # type: ignore[arg-type]


def test_each_reading_is_one_message_in_order(store: Store, tmp_path: Path) -> None:
    sent = [write_down(store, "mira", minute) for minute in range(120)]
    with mosquitto(tmp_path, *OPEN) as port, listening(port) as following:
        assert send(store, home(port), CONTEXT).fresh == 120
        messages = [following() for _ in sent]
    assert [json.loads(one.payload)["reading_id"] for one in messages] == sent
    assert {one.topic for one in messages} == {"quietcuff/5a5a/mira/reading"}
    assert {one.qos for one in messages} == {1}
    assert not any(one.retain for one in messages)
    first = messages[0]
    assert first.properties.UserProperty == [("reading_id", sent[0])]
    assert first.properties.ContentType == "application/json"
    assert json.loads(first.payload)["systolic"] == 128


def test_the_newest_of_each_person_is_retained(store: Store, tmp_path: Path) -> None:
    write_down(store, "mira", 0)
    newest = write_down(store, "mira", 5, systolic=131)
    other = write_down(store, "jon", 3)
    with mosquitto(tmp_path, *OPEN) as port:
        receiver = home(port, last=True)
        send(store, receiver, CONTEXT)
        write_down(store, "mira", 2)  # an older one that came late
        send(store, receiver, CONTEXT)
        with listening(port) as following:
            kept = {one.topic: json.loads(one.payload)["reading_id"] for one in (following(), following())}
    assert kept == {"quietcuff/5a5a/mira/last": newest, "quietcuff/5a5a/jon/last": other}


def test_what_is_retained_follows_the_store(store: Store, tmp_path: Path) -> None:
    """Given to somebody else, renamed, erased: nothing of it stays on the broker."""
    from collector.intake import catch_up
    from collector.intake.erasure import erase_person
    from collector.store import people

    write_down(store, "mira", 0, systolic=121)
    write_down(store, "mira", 5, systolic=122)
    write_down(store, "jon", 3, systolic=123)
    with mosquitto(tmp_path, *OPEN) as port:
        receiver = home(port, last=True)

        def shown() -> dict[str, int]:
            send(store, receiver, CONTEXT)
            with listening(port) as following:
                found = {}
                while message := following(1.5):
                    found[message.topic.removeprefix("quietcuff/5a5a/")] = json.loads(message.payload)["systolic"]
                return found

        assert shown() == {"mira/last": 122, "jon/last": 123}
        with store.transaction():
            to_jon = "UPDATE reading SET person_id = (SELECT id FROM person WHERE name = 'jon')"
            store.query(to_jon + " WHERE systolic = '122'")
        assert shown() == {"mira/last": 121, "jon/last": 122}
        people.rename(store, "jon", "Jon K", Clock().now)
        assert shown() == {"mira/last": 121, "Jon K/last": 122}
        erase_person(store, "Jon K")
        catch_up(store)
        assert shown() == {"mira/last": 121}
        assert send(store, receiver, CONTEXT) == Sent()


def test_a_name_cannot_leave_its_topic(store: Store, tmp_path: Path) -> None:
    from collector.store import people

    people.add(store, "../#/+ a", Clock().now)
    write_down(store, "../#/+ a", 0)
    with mosquitto(tmp_path, *OPEN) as port, listening(port) as following:
        assert send(store, home(port), CONTEXT).fresh == 1
        message = following()
    assert message.topic == "quietcuff/5a5a/..%2F%23%2F%2B a/reading"
    assert json.loads(message.payload)["person"] == "../#/+ a"


def test_what_is_taken_back_is_told(store: Store, tmp_path: Path) -> None:
    reading_id = write_down(store, "mira", 0)
    with mosquitto(tmp_path, *OPEN) as port:
        send(store, home(port), CONTEXT)
        with store.transaction():
            store.query("UPDATE reading SET person_id = NULL")
        with listening(port) as following:
            assert send(store, home(port), CONTEXT) == Sent(gone=1)
            message = following()
    assert (message.topic, json.loads(message.payload)) == ("quietcuff/5a5a/withdrawn", {"reading_id": reading_id})


def test_a_broker_that_is_down_is_waited_for(store: Store, tmp_path: Path) -> None:
    sent = write_down(store, "mira", 0)
    port = free_port()
    clock = Clock()
    assert send(store, home(port), CONTEXT, clock=clock).trouble == "127.0.0.1 cannot be reached: Connection refused"
    clock.forward(weeks=3)
    with mosquitto(tmp_path, *OPEN, port=port), listening(port) as following:
        assert send(store, home(port), CONTEXT, clock=clock).fresh == 1
        assert json.loads(following().payload)["reading_id"] == sent


def test_user_and_password_are_needed_where_the_broker_asks(store: Store, tmp_path: Path) -> None:
    write_down(store, "mira", 0)
    passwords = tmp_path / "passwords"
    passwords.touch(0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(passwords), "station", "hush-hush"], check=True, capture_output=True)
    hidden = tmp_path / "hidden"
    hidden.write_text("wrong-one")
    hidden.chmod(0o600)
    with mosquitto(tmp_path, "allow_anonymous false", f"password_file {passwords}", "persistence false") as port:
        receiver = home(port, user="station", password_file=hidden)
        trouble = send(store, receiver, CONTEXT).trouble
        assert trouble == "127.0.0.1: not authorized; look at user and password_file"
        hidden.write_text("hush-hush")
        assert send(store, receiver, CONTEXT, now_please=True).fresh == 1


def test_a_message_that_must_not_be_sent_waits(store: Store, tmp_path: Path) -> None:
    write_down(store, "mira", 0)
    rules = tmp_path / "rules"
    rules.write_text("topic read #\n")
    rules.chmod(0o700)
    with mosquitto(tmp_path, *OPEN, f"acl_file {rules}") as port:
        trouble = send(store, home(port), CONTEXT).trouble
    assert trouble == "127.0.0.1: the broker does not let us publish (reason 0x87)"
    assert outbox.status(store)[0].waiting == 1


# paho leaves the refused one to be collected, and now and then the plain one below it
@pytest.mark.filterwarnings("ignore:Exception ignored in. <(ssl.SSLSocket|socket.socket)")
def test_tls_is_verified(store: Store, tmp_path: Path) -> None:
    write_down(store, "mira", 0)
    certificate(tmp_path)
    lines = [*OPEN, f"certfile {tmp_path}/cert.pem", f"keyfile {tmp_path}/key.pem"]
    with mosquitto(tmp_path, *lines) as port:
        receiver = Receiver("home", "mqtt", f"mqtts://127.0.0.1:{port}")
        assert "self-signed" in (send(store, receiver, CONTEXT).trouble or "")
        trusting = replace(receiver, ca_file=tmp_path / "cert.pem")
        assert send(store, trusting, CONTEXT, now_please=True).fresh == 1
    gc.collect()
