"""Notices over MQTT (extra `mqtt`): retained while they stand, so that who comes later sees them; cleared when over.

Topics: PREFIX/notices/TOPIC/SUBJECT. Source: OASIS, MQTT Version 3.1.1, §3.3.1.3 (RETAIN: an empty retained message
removes the kept one) and §4.7.1 (what a topic name may hold).
"""

import json
import re
from datetime import datetime
from typing import TYPE_CHECKING

from collector.service.config import Mqtt
from collector.service.notices.channels import ChannelError, message
from collector.service.notices.notice import Notice

if TYPE_CHECKING:
    from paho.mqtt.client import Client

TIMEOUT_S = 10.0


class MqttChannel:
    """Connects for each message: notices are rare, and an idle connection would be one more thing to fail."""

    name = "mqtt"

    def __init__(self, settings: Mqtt, personal: bool) -> None:
        self.settings, self.personal = settings, personal

    def begins(self, notice: Notice, at: datetime) -> None:
        self._publish(notice.key, json.dumps(message(notice, at, self.personal), ensure_ascii=False).encode())

    def over(self, key: str, at: datetime) -> None:
        self._publish(key, b"")

    def topic(self, key: str) -> str:
        """Of a notice; characters that mean something in a topic, and blanks, become hyphens."""
        levels = [re.sub(r"[\s+#/\0]+", "-", level) for level in key.split("/", 1)]
        return "/".join([self.settings.topic, "notices", *levels])

    def _publish(self, key: str, payload: bytes) -> None:
        where = f"MQTT broker {self.settings.host}:{self.settings.port}"
        refused: list[str] = []
        client = self._client(refused)
        try:
            client.connect(self.settings.host, self.settings.port, keepalive=30)
            client.loop_start()
            sent = client.publish(self.topic(key), payload, qos=1, retain=True)
            sent.wait_for_publish(TIMEOUT_S)
            if not sent.is_published():
                raise ChannelError(f"{where}: {refused[0] if refused else 'does not answer'}")
        except (OSError, RuntimeError, ValueError) as error:
            reason = refused[0] if refused else getattr(error, "strerror", None) or str(error)
            raise ChannelError(f"{where}: {reason}") from None
        finally:
            client.disconnect()
            client.loop_stop()

    def _client(self, refused: list[str]) -> "Client":
        """refused: takes the broker's own words for why it does not let us in."""
        try:
            from paho.mqtt.client import Client
            from paho.mqtt.enums import CallbackAPIVersion
        except ImportError:
            raise ChannelError("MQTT needs the extra 'mqtt': pip install 'quietcuff[mqtt]'") from None
        settings = self.settings
        client = Client(CallbackAPIVersion.VERSION2)
        client.connect_timeout = TIMEOUT_S

        def connected(_client: object, _data: object, _flags: object, reason: object, _properties: object) -> None:
            if getattr(reason, "is_failure", False):
                refused.append(str(reason))

        client.on_connect = connected
        if settings.user:
            client.username_pw_set(settings.user, self._password())
        if settings.tls:
            client.tls_set(ca_certs=str(settings.ca_file) if settings.ca_file else None)
        return client

    def _password(self) -> str | None:
        if self.settings.password_file is None:
            return None
        try:
            return self.settings.password_file.read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise ChannelError(f"{self.settings.password_file}: the password cannot be read ({error})") from None
