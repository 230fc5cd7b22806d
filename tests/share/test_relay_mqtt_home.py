"""What a home automation server finds on a real broker (Mosquitto): who there is, the values, whether we are there."""

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from jinja2 import Environment
from relaying import START, household, write_down
from servers import listening, mosquitto

from collector.intake import catch_up
from collector.intake.erasure import erase_person
from collector.service.config import parse
from collector.service.jobs.relaying import RelayRun
from collector.share.export.context import ExportContext
from collector.share.relay.mqtt import Presence
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import send
from collector.store import people
from collector.store.database import Store
from collector.store.journal import stations

pytestmark = pytest.mark.system

OPEN = ("allow_anonymous true", "persistence false")
PRESENCE = "quietcuff/5a5a/presence"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with household(tmp_path, "mira", "jon") as store:
        yield store


@pytest.fixture
def port(tmp_path: Path) -> Iterator[int]:
    with mosquitto(tmp_path, *OPEN) as port:
        yield port


def home(port: int, **more: object) -> Receiver:
    return replace(Receiver("home", "mqtt", f"mqtt://127.0.0.1:{port}", discovery="automation"), **more)  # type: ignore[arg-type]


def retained(port: int) -> dict[str, bytes]:
    with listening(port) as following:
        found = {}
        while message := following(1.0):
            found[message.topic] = message.payload
        return found


def shown(port: int) -> dict[str, dict[str, Any]]:
    """As the server shows it: by device, what each template makes of the value."""
    there, found = retained(port), dict[str, dict[str, Any]]()
    for topic, text in there.items():
        if topic.startswith("automation/sensor/"):
            said = json.loads(text)
            assert topic.endswith("/config")
            assert said["availability_topic"] == PRESENCE
            value = (
                Environment()
                .from_string(said["value_template"])
                .render(value_json=json.loads(there[said["state_topic"]]))
            )
            found.setdefault(said["device"]["name"], {})[said["name"]] = value + said.get("unit_of_measurement", "")
    return found


def test_values_show_without_hand_work(store: Store, port: int) -> None:
    write_down(store, "mira", 0)
    write_down(store, "mira", 5, systolic=131)
    write_down(store, "jon", 3)
    send(store, home(port), ExportContext(station="5a5a"))
    found = shown(port)
    assert found["mira"] == {
        "Systolic": "131mmHg", "Diastolic": "81mmHg", "Pulse": "64bpm", "Time": "2031-03-04T07:05:00+00:00"
    }  # fmt: skip
    assert found["jon"]["Systolic"] == "128mmHg"
    names = [json.loads(text)["unique_id"] for topic, text in retained(port).items() if topic.endswith("/config")]
    assert len(names) == len(set(names)) == 8
    assert not any("mira" in name for name in names)


def test_it_is_off_unless_asked_for(store: Store, port: int) -> None:
    write_down(store, "mira", 0)
    send(store, home(port, discovery=""), ExportContext(station="5a5a"))
    assert retained(port) == {}


def test_who_is_renamed_or_erased_is_not_shown_any_longer(store: Store, port: int) -> None:
    write_down(store, "mira", 0)
    write_down(store, "jon", 3)

    def after(change: Callable[[], object]) -> set[str]:
        change()
        catch_up(store)
        send(store, home(port), ExportContext(station="5a5a"))
        return set(shown(port))

    assert after(lambda: None) == {"mira", "jon"}
    assert after(lambda: people.rename(store, "jon", "J 2", START)) == {"mira", "J 2"}
    assert after(lambda: erase_person(store, "J 2")) == {"mira"}
    assert after(lambda: erase_person(store, "mira")) == set()
    assert not any(b"mira" in text for text in retained(port).values())


def test_a_pressure_in_kilopascals_is_shown_in_mmhg_and_none_as_nothing() -> None:
    from collector.share.relay.mqtt_discovery import VALUES

    template = Environment().from_string(VALUES["Systolic"]["value_template"])
    assert template.render(value_json={"unit": "kPa", "systolic": 16.0}) == "120.0"
    assert template.render(value_json={"unit": "mmHg", "systolic": None}) == ""


HOLDS = """
import sys, time
from collector.share.relay.mqtt import Presence
from collector.share.relay.receiver import Receiver
presence = Presence(Receiver("home", "mqtt", sys.argv[1], discovery="automation"), "5a5a")
time.sleep(600)
"""


def test_it_says_when_it_is_there_and_its_last_will_when_it_has_gone(port: int) -> None:
    with listening(port) as following:
        process = subprocess.Popen([sys.executable, "-c", HOLDS, f"mqtt://127.0.0.1:{port}"])
        try:
            said = following()
            assert (said.topic, said.payload, said.retain) == (PRESENCE, b"online", True)
        finally:
            process.kill()
            process.wait()
        said = following()
    assert (said.topic, said.payload, said.retain) == (PRESENCE, b"offline", True)


def test_it_comes_back_with_the_broker_and_ends_when_asked(tmp_path: Path) -> None:
    from servers import free_port

    port = free_port()
    presence = Presence(home(port), "5a5a")  # the broker is not up yet
    try:
        for _ in range(2):
            with mosquitto(tmp_path, *OPEN, port=port), listening(port) as following:
                said = following()
                assert (said.topic, said.payload) == (PRESENCE, b"online")
        with mosquitto(tmp_path, *OPEN, port=port), listening(port) as following:
            assert following().payload == b"online"
            presence.end()
            assert following().payload == b"offline"
    finally:
        presence.end()


def test_the_service_holds_one_connection_whatever_is_read_again(store: Store, port: int) -> None:
    text = f'[relay.home]\nkind = "mqtt"\nurl = "mqtt://127.0.0.1:{port}"\ndiscovery = "automation"\n'
    write_down(store, "mira", 0)
    name = f"quietcuff/{stations.own_uid(store).hex()}/presence"
    with listening(port) as following:
        for config in (text, text, ""):
            relay = RelayRun(store.path, parse(config))
            relay()
            for thread in relay.running.values():
                thread.join(20)
        said = [(one.topic, one.payload) for one in iter(lambda: following(1.0), None) if one]
    assert [payload for topic, payload in said if topic == name] == [b"online", b"offline"]


@pytest.mark.parametrize(
    ("now", "left"),
    [
        ({"discovery": ""}, set()),
        ({"discovery": "", "last": True}, {"quietcuff/5a5a/mira/last"}),
        ({"discovery": "other"}, {"quietcuff", "other"}),
        ({"topic": "bp"}, {"bp", "automation"}),
    ],
)
def test_what_is_no_longer_wanted_is_taken_down_by_the_next_send(
    store: Store, port: int, now: dict[str, object], left: set[str]
) -> None:
    """Without any news of a reading; what another receiver retains on the same broker stays."""
    write_down(store, "mira", 0)
    context = ExportContext(station="5a5a")
    another = replace(home(port, discovery="", last=True, topic="desk"), name="another")
    send(store, another, context)
    send(store, home(port), context)
    presence = Presence(home(port), "5a5a")
    presence.end()
    assert {topic.split("/")[0] for topic in retained(port)} == {"quietcuff", "automation", "desk"}
    assert send(store, home(port, **now), context).trouble is None
    there = retained(port)
    assert there.pop("desk/5a5a/mira/last")
    assert left in (set(there), {topic.split("/")[0] for topic in there})
    send(store, home(port, **now), context)
    assert retained(port).keys() == {*there, "desk/5a5a/mira/last"}


def test_what_cannot_be_taken_down_now_is_by_a_later_send(store: Store, tmp_path: Path) -> None:
    from servers import free_port

    write_down(store, "mira", 0)
    port, context = free_port(), ExportContext(station="5a5a")
    keeping = ("allow_anonymous true", "persistence true", f"persistence_location {tmp_path}/")
    with mosquitto(tmp_path, *keeping, port=port):
        send(store, home(port, last=True), context)
    off = home(port, discovery="")
    assert send(store, off, context, now_please=True).trouble
    with mosquitto(tmp_path, *keeping, port=port):
        assert retained(port)
        assert send(store, off, context, now_please=True).trouble is None
        assert retained(port) == {}
