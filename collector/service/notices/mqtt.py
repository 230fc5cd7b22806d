"""Notices over MQTT (extra `mqtt`): retained while they stand, so that who comes later sees them; cleared when over.

Topics: PREFIX/notices/TOPIC/SUBJECT. Source: OASIS, MQTT Version 5.0, §3.3.1.3 (RETAIN: an empty retained message
removes the kept one) and §4.7.1 (what a topic name may hold).
"""

import json
import re
from datetime import datetime

from collector.service.config.settings import MqttSettings
from collector.service.notices.channels import ChannelError, message
from collector.service.notices.notice import Notice
from collector.share.export.context import ExchangeError
from collector.share.relay.mqtt_connection import Broker, MqttConnection

TIMEOUT_S = 10.0


class MqttChannel:
    """Connects for each message: notices are rare, and an idle connection would be one more thing to fail."""

    name = "mqtt"

    def __init__(self, settings: MqttSettings, personal: bool) -> None:
        self.settings, self.personal = settings, personal

    def begins(self, notice: Notice, at: datetime) -> None:
        self._publish(notice.key, json.dumps(message(notice, at, self.personal), ensure_ascii=False))

    def over(self, key: str, at: datetime) -> None:
        self._publish(key, "")

    def topic(self, key: str) -> str:
        """Of a notice; characters that mean something in a topic, and blanks, become hyphens."""
        levels = [re.sub(r"[\s+#/\0]+", "-", level) for level in key.split("/", 1)]
        return "/".join([self.settings.topic, "notices", *levels])

    def _publish(self, key: str, text: str) -> None:
        settings = self.settings
        broker = Broker(
            host=settings.host,
            port=settings.port,
            tls=settings.tls,
            ca_file=settings.ca_file,
            user=settings.user,
            password_file=settings.password_file,
            timeout_s=TIMEOUT_S,
        )
        try:
            with MqttConnection(broker) as connection:
                connection.wait([connection.publish(self.topic(key), text, retain=True)])
        except ExchangeError as error:
            raise ChannelError(f"[mqtt]: {error}") from None
