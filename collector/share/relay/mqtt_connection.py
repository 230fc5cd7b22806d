"""The one MQTT 5 connection of relay and notices: what may be spoken to, how, and each answer of the broker.

Needs the extra `mqtt` (paho-mqtt). Source: OASIS, MQTT Version 5.0, sections 3.1 (CONNECT), 3.4.2.1 (reason codes),
4.3.2 (QoS 1).
"""

import threading
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, Self

from collector.share.export.context import ExchangeError
from collector.share.private_file import secret
from collector.share.relay.receiver import is_this_machine
from collector.share.relay.target import RefusedByReceiver, Unreachable

_IN_FLIGHT = 20
_ABOUT_THE_MESSAGE = {0x90, 0x95, 0x99}  # topic name invalid, packet too large, payload format invalid


@dataclass(frozen=True, slots=True)
class Broker:
    """Where a broker is and how one gets in. will: (topic, text) that it retains once we are gone without a word."""

    host: str
    port: int
    tls: bool
    ca_file: Path | None = None
    user: str = ""
    password_file: Path | None = None
    timeout_s: float = 30.0
    will: tuple[str, str] | None = None

    def check(self) -> None:
        """Raises ExchangeError for a connection that others could listen to."""
        if not self.tls and not is_this_machine(self.host):
            raise ExchangeError(
                f"MQTT broker {self.host}: what is sent leaves this machine encrypted only; turn on TLS"
            )


class MqttConnection:
    """Open while entered. Raises ExchangeError for settings of no use, else Unreachable and RefusedByReceiver."""

    def __init__(self, broker: Broker) -> None:
        broker.check()
        try:
            paho: Any = import_module("paho.mqtt.client")
            self._properties: Any = import_module("paho.mqtt.properties")
            self._packets: Any = import_module("paho.mqtt.packettypes").PacketTypes
            enums: Any = import_module("paho.mqtt.enums")
        except ImportError:
            raise ExchangeError("MQTT needs the extra 'mqtt': pip install 'quietcuff[mqtt]'") from None
        self._broker = broker
        self._answers: dict[int, int] = {}
        self._answered, self._connected = threading.Event(), threading.Event()
        self._greeting: Any = None
        self._greeted_by: tuple[str, str] | None = None
        client = self._client = paho.Client(enums.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        client.on_connect, client.on_publish = self._on_connect, self._on_publish
        client.on_subscribe = client.on_unsubscribe = self._on_answer
        client.connect_timeout = broker.timeout_s
        client.max_inflight_messages_set(_IN_FLIGHT)
        if broker.user:
            client.username_pw_set(broker.user, secret(broker.password_file) if broker.password_file else None)
        if broker.will:
            client.will_set(*broker.will, qos=1, retain=True)

    def publish(
        self, topic: str, text: str, *, retain: bool = False, media: str = "application/json", **properties: str
    ) -> int:
        """Hand the message over, QoS 1; returns the number to `wait` for."""
        about = self._properties.Properties(self._packets.PUBLISH)
        if text:
            about.ContentType = media
        if properties:
            about.UserProperty = list(properties.items())
        sent = self._client.publish(topic, text.encode(), qos=1, retain=retain, properties=about)
        if sent.rc != 0 and not self._client.is_connected():
            raise Unreachable(f"{self._broker.host}: the broker has gone")
        return int(sent.mid)

    def wait(self, numbers: Iterable[int]) -> None:
        """Until the broker has each of these messages."""
        for number in numbers:
            code = self._answer(number)
            if code in _ABOUT_THE_MESSAGE:
                raise RefusedByReceiver(f"{self._broker.host}: the broker refuses the message (reason {code:#04x})")
            if code >= 0x80:
                raise Unreachable(f"{self._broker.host}: the broker does not let us publish (reason {code:#04x})")

    def retained(self, *topics: str) -> dict[str, bytes]:
        """What the broker holds there; nothing where it does not let us read. QoS 0, so that all of it comes before
        the answer to the unsubscribing."""
        found: dict[str, bytes] = {}
        self._client.on_message = lambda client, data, message: found.update({message.topic: message.payload})
        for topic in topics:
            for ask in (self._client.subscribe, self._client.unsubscribe):
                self._answer(ask(topic)[1])
        return found

    def _answer(self, number: int) -> int:
        """The broker's answer to what was sent under this number."""
        while number not in self._answers:
            self._answered.clear()
            if number in self._answers:
                break
            if not self._answered.wait(self._broker.timeout_s):
                raise Unreachable(f"{self._broker.host}: the broker does not answer")
            if number not in self._answers and not self._client.is_connected():
                raise Unreachable(f"{self._broker.host}: the broker has gone")
        return self._answers.pop(number)

    def __enter__(self) -> Self:
        broker = self._broker
        self._trust()
        try:
            self._client.connect(broker.host, broker.port, keepalive=60)
        except (OSError, ValueError) as error:
            raise Unreachable(f"{broker.host} cannot be reached: {_reason(error)}") from None
        self._client.loop_start()
        if not self._connected.wait(broker.timeout_s):
            self.__exit__()
            raise Unreachable(f"{broker.host}: the broker does not greet")
        if self._greeting.is_failure:
            self.__exit__()
            raise Unreachable(f"{broker.host}: {str(self._greeting).lower()}; look at user and password_file")
        return self

    def _trust(self) -> None:
        broker = self._broker
        if broker.tls:
            try:
                self._client.tls_set(str(broker.ca_file) if broker.ca_file else None)
            except OSError as error:
                raise Unreachable(f"{broker.ca_file}: no certificates there ({_reason(error)})") from None

    def stand(self, topic: str, text: str) -> None:
        """Stay connected in the background, and try until it is so; each time say this there, retained."""
        self._trust()
        self._greeted_by = (topic, text)
        self._client.connect_async(self._broker.host, self._broker.port, keepalive=60)
        self._client.loop_start()

    def leave(self, topic: str, text: str) -> None:
        """End what stands, with a last word, retained, where the broker can be reached."""
        if self._client.is_connected():
            self._client.publish(topic, text, qos=1, retain=True).wait_for_publish(self._broker.timeout_s)
        self.__exit__()

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: Any, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._greeting = reason
        self._connected.set()
        if self._greeted_by and not reason.is_failure:
            client.publish(*self._greeted_by, qos=1, retain=True)

    def _on_publish(self, client: Any, data: Any, number: int, reason: Any, properties: Any) -> None:
        self._answers[number] = int(reason.value)
        self._answered.set()

    def _on_answer(self, client: Any, data: Any, number: int, reasons: Any, properties: Any) -> None:
        self._answers[number] = 0  # whether or not it let us
        self._answered.set()


def _reason(error: BaseException) -> str:
    return getattr(error, "verify_message", None) or getattr(error, "strerror", None) or str(error)
