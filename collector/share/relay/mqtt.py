"""An MQTT 5 broker as receiver: one message a reading, QoS 1. Needs the extra `mqtt` (paho-mqtt).

Topics: PREFIX/STATION/PERSON/reading, and with `last` the newest reading of each person retained at
PREFIX/STATION/PERSON/last; what was taken back: PREFIX/STATION/withdrawn. What is retained is asked of the broker, so
that nothing stays there of who was erased, renamed, or turned out to be somebody else.

The message is the reading as in NDJSON, its reading_id also a user property: QoS 1 delivers at least once (OASIS MQTT
5.0, section 4.3.2), the id tells a repeat.
"""

from collections.abc import Sequence
from typing import Self
from urllib.parse import quote, urlsplit

from collector.share.export.context import ExportContext
from collector.share.export.rows import json_rows, json_text
from collector.share.relay.mqtt_connection import Broker, MqttConnection
from collector.share.relay.settings import Receiver
from collector.share.relay.target import Batch
from collector.store.values import Reading


class MqttTarget:
    """An open connection to a broker."""

    def __init__(self, receiver: Receiver, context: ExportContext) -> None:
        self._base = f"{receiver.topic.strip('/')}/{context.station or 'station'}"
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

    def show(self, newest: Sequence[Reading]) -> None:
        texts = zip(newest, json_rows(newest), strict=True)
        wanted = {self._topic(one, "last"): (text, one.reading_id) for one, text in texts}
        shown = self._connection.retained(f"{self._base}/+/last")
        publish = self._connection.publish
        numbers = [publish(topic, "", retain=True) for topic in shown.keys() - wanted.keys()]
        numbers += [
            publish(topic, text, retain=True, reading_id=reading_id)
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
