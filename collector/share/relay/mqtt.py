"""An MQTT 5 broker as receiver: one message a reading, QoS 1. Needs the extra `mqtt` (paho-mqtt).

Topics: PREFIX/STATION/PERSON/reading, and with `last` the newest reading of each person retained at
PREFIX/STATION/PERSON/last; what was taken back: PREFIX/STATION/withdrawn. What is retained is asked of the broker, so
that nothing stays there of who was erased, renamed, or turned out to be somebody else.

The message is the reading as in NDJSON, its reading_id also a user property: QoS 1 delivers at least once (OASIS MQTT
5.0, section 4.3.2), the id tells a repeat.
"""

from collections.abc import Sequence
from importlib import import_module
from threading import Event
from typing import Any, Self
from urllib.parse import quote, urlsplit

from collector.share.export.context import Exchange, ExchangeError
from collector.share.export.rows import json_text, row
from collector.share.relay.settings import Receiver, secret
from collector.share.relay.target import Parcel, Refused, Unreachable
from collector.store.values import Reading

_IN_FLIGHT = 20
_REFUSALS = {0x90, 0x95, 0x99}  # topic name invalid, packet too large, payload format invalid: about this message


class Broker:
    """An open connection to a broker."""

    def __init__(self, receiver: Receiver, exchange: Exchange) -> None:
        try:
            client: Any = import_module("paho.mqtt.client")
            self._properties: Any = import_module("paho.mqtt.properties")
            self._packets: Any = import_module("paho.mqtt.packettypes").PacketTypes
            enums: Any = import_module("paho.mqtt.enums")
        except ImportError:
            raise ExchangeError("MQTT needs the extra 'mqtt': pip install 'quietcuff[mqtt]'") from None
        self._receiver = receiver
        self._base = f"{receiver.topic.strip('/')}/{exchange.station or 'station'}"
        self._answers: dict[int, int] = {}
        self._answered = Event()
        self._connected = Event()
        self._greeting: Any = None
        self._client = client.Client(enums.CallbackAPIVersion.VERSION2, protocol=client.MQTTv5)
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish
        self._client.max_inflight_messages_set(_IN_FLIGHT)
        if receiver.user:
            password = secret(receiver.password_file) if receiver.password_file else None
            self._client.username_pw_set(receiver.user, password)
        self._connect()

    def deliver(self, parcel: Parcel) -> None:
        waiting = [
            self._send(self._topic(one, "reading"), json_text(row(one)), one.reading_id, False)
            for one in parcel.readings
        ]
        waiting += [
            self._send(f"{self._base}/withdrawn", json_text({"reading_id": name}), name, False) for name in parcel.gone
        ]
        for number in waiting:
            self._await(number)

    def show(self, newest: Sequence[Reading]) -> None:
        wanted = {self._topic(one, "last"): (json_text(row(one)), one.reading_id) for one in newest}
        shown = self._retained(f"{self._base}/+/last")
        waiting = [self._send(topic, "", "", True) for topic in shown.keys() - wanted.keys()]
        waiting += [
            self._send(topic, text, reading_id, True)
            for topic, (text, reading_id) in wanted.items()
            if shown.get(topic) != text.encode()
        ]
        for number in waiting:
            self._await(number)

    def _retained(self, topics: str) -> dict[str, bytes]:
        """What the broker holds there; nothing where it does not let us read. QoS 0, so that all of it comes before
        the answer to the unsubscribing."""
        found: dict[str, bytes] = {}
        self._client.on_message = lambda client, data, message: found.update({message.topic: message.payload})
        self._client.on_subscribe = self._client.on_unsubscribe = self._on_answer
        for ask in (self._client.subscribe, self._client.unsubscribe):
            self._wait(ask(topics)[1])
        return found

    def _send(self, topic: str, text: str, reading_id: str, retain: bool) -> int:
        properties = self._properties.Properties(self._packets.PUBLISH)
        properties.ContentType = "application/json"
        properties.UserProperty = ("reading_id", reading_id)
        sent = self._client.publish(topic, text.encode(), qos=1, retain=retain, properties=properties)
        if sent.rc != 0 and not self._client.is_connected():
            raise Unreachable(f"{self._receiver.host}: the broker has gone")
        return int(sent.mid)

    def _await(self, number: int) -> None:
        code = self._wait(number)
        if code in _REFUSALS:
            raise Refused(f"{self._receiver.host}: the broker refuses the message (reason {code:#04x})")
        if code >= 0x80:
            raise Unreachable(f"{self._receiver.host}: the broker does not let us publish (reason {code:#04x})")

    def _wait(self, number: int) -> int:
        """The broker's answer to what was sent under this number."""
        while number not in self._answers:
            self._answered.clear()
            if number in self._answers:
                break
            if not self._answered.wait(self._receiver.timeout_s):
                raise Unreachable(f"{self._receiver.host}: the broker does not answer")
            if number not in self._answers and not self._client.is_connected():
                raise Unreachable(f"{self._receiver.host}: the broker has gone")
        return self._answers.pop(number)

    def _topic(self, reading: Reading, last: str) -> str:
        person = "unassigned" if reading.person is None else quote(reading.person, safe=" ")
        return f"{self._base}/{person}/{last}"

    def _connect(self) -> None:
        parts = urlsplit(self._receiver.url)
        secure = parts.scheme == "mqtts"
        try:
            if secure:
                self._client.tls_set(str(self._receiver.ca_file) if self._receiver.ca_file else None)
            self._client.connect(self._receiver.host, parts.port or (8883 if secure else 1883), keepalive=60)
        except (OSError, ValueError) as error:
            reason = getattr(error, "verify_message", None) or getattr(error, "strerror", None) or str(error)
            raise Unreachable(f"{self._receiver.host} cannot be reached: {reason}") from None
        self._client.loop_start()
        if not self._connected.wait(self._receiver.timeout_s):
            self.__exit__()
            raise Unreachable(f"{self._receiver.host}: the broker does not greet")
        if self._greeting.is_failure:
            self.__exit__()
            raise Unreachable(f"{self._receiver.host}: {str(self._greeting).lower()}; look at user and password_file")

    def _on_connect(self, client: Any, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._greeting = reason
        self._connected.set()

    def _on_publish(self, client: Any, data: Any, number: int, reason: Any, properties: Any) -> None:
        self._answers[number] = int(reason.value)
        self._answered.set()

    def _on_answer(self, client: Any, data: Any, number: int, reasons: Any, properties: Any) -> None:
        self._answers[number] = 0  # whether or not it let us
        self._answered.set()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()
