"""An MQTT 5 broker as receiver: one message a reading, QoS 1. Needs the extra `mqtt` (paho-mqtt).

Topics: PREFIX/STATION/PERSON/reading, and with `last` the newest reading of each person retained at
PREFIX/STATION/PERSON/last; what was taken back: PREFIX/STATION/withdrawn. What is retained is asked of the broker, so
that nothing stays there of who was erased, renamed, or turned out to be somebody else. With `discovery` a home
automation server finds the values by itself (mqtt_discovery), and sees whether the station is there (Presence).

The message is the reading as in NDJSON, its reading_id also a user property: QoS 1 delivers at least once (OASIS MQTT
5.0, section 4.3.2), the id tells a repeat.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Self
from urllib.parse import quote, urlsplit

from collector.share.export.context import ExportContext
from collector.share.export.rows import json_rows, json_text
from collector.share.relay.mqtt_connection import Broker, MqttConnection
from collector.share.relay.mqtt_discovery import everywhere, messages
from collector.share.relay.receiver import Board, Receiver
from collector.share.relay.target import Batch
from collector.store.values import Reading

_PRESENCE = "presence"


class MqttTarget:
    """An open connection to a broker."""

    def __init__(self, receiver: Receiver, context: ExportContext) -> None:
        self._board, self._station = receiver.board, context.station or "station"
        self._base = _base(receiver.topic, self._station)
        self._connection = MqttConnection(broker_of(receiver))
        self._connection.__enter__()

    def deliver(self, batch: Batch) -> None:
        publish = self._connection.publish
        numbers = [
            publish(self._topic(one, "reading"), json_rows([one])[0], reading_id=one.reading_id)
            for one in batch.readings
        ]
        numbers += [
            publish(f"{self._base}/withdrawn", json_text({"reading_id": name}), reading_id=name) for name in batch.gone
        ]
        self._connection.wait(numbers)

    def show(self, newest: Sequence[Reading], before: Board) -> None:
        board, presence = self._board, f"{self._base}/{_PRESENCE}"
        wanted: dict[str, dict[str, tuple[str, str]]] = {}  # by where they stand
        for place in _places(before, self._station) + _places(board, self._station):
            wanted[place] = {}
        if board:
            texts = zip(newest, json_rows(newest), strict=True)
            wanted[f"{self._base}/+/last"] = {self._topic(one, "last"): (text, one.reading_id) for one, text in texts}
        if board.discovery:
            wanted[everywhere(board.discovery, self._station)] = dict(
                messages(board.discovery, self._station, presence, [(one, self._topic(one, "last")) for one in newest])
            )
            wanted.pop(presence, None)  # whoever listens says that, and takes it back
        for place, those in wanted.items():
            self._retain(place, those)

    def _retain(self, where: str, wanted: Mapping[str, tuple[str, str]]) -> None:
        """That these, and no others, stand at the topics that are asked for. wanted: by topic, text and reading_id."""
        shown = self._connection.retained(where)
        publish = self._connection.publish
        numbers = [publish(topic, "", retain=True) for topic in shown.keys() - wanted.keys()]
        numbers += [
            publish(topic, text, retain=True, **({"reading_id": reading_id} if reading_id else {}))
            for topic, (text, reading_id) in wanted.items()
            if shown.get(topic) != text.encode()
        ]
        self._connection.wait(numbers)

    def _topic(self, reading: Reading, last: str) -> str:
        person = "unassigned" if reading.person is None else quote(reading.person, safe=" ")
        return f"{self._base}/{person}/{last}"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.__exit__()


class Presence:
    """Says that the station is there, at PREFIX/STATION/presence: a connection that stands, again after each break, as
    long as this process lives. The broker says 'offline' by its last will once the connection is gone."""

    def __init__(self, receiver: Receiver, station: str) -> None:
        self._topic = f"{_base(receiver.topic, station)}/{_PRESENCE}"
        self._connection = MqttConnection(replace(broker_of(receiver.check()), will=(self._topic, "offline")))
        self._connection.stand(self._topic, "online")

    def end(self) -> None:
        self._connection.leave(self._topic, "offline")


def _base(topic: str, station: str) -> str:
    return f"{topic.strip('/')}/{station}"


def _places(board: Board, station: str) -> list[str]:
    """Where anything of this station's may be retained that is on that board."""
    if not board:
        return []
    base = _base(board.topic, station)
    return [
        f"{base}/+/last",
        *([f"{base}/{_PRESENCE}", everywhere(board.discovery, station)] if board.discovery else []),
    ]


def broker_of(receiver: Receiver) -> Broker:
    """Where the receiver's url leads."""
    parts = urlsplit(receiver.url)
    tls = parts.scheme == "mqtts"
    return Broker(
        host=receiver.host,
        port=parts.port or (8883 if tls else 1883),
        tls=tls,
        ca_file=receiver.ca_file,
        user=receiver.user,
        password_file=receiver.password_file,
        timeout_s=receiver.timeout_s,
    )
