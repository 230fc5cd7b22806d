"""MQTT against a real broker (Mosquitto) on loopback: retained while it stands, gone when over, TLS, passwords."""

import gc
import json
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

import pytest
from servers import certificate, free_port, listening, mosquitto

from collector.service.config.settings import MqttSettings
from collector.service.notices.channels import ChannelError
from collector.service.notices.mqtt import MqttChannel
from collector.service.notices.notice import CAUTION, Notice

pytestmark = pytest.mark.system

NOW = datetime(2031, 3, 4, 12, tzinfo=UTC)
LOW = Notice(
    "battery",
    "C0:FF:EE:00:00:01",
    "kitchen: its battery is at 5 %",
    "put new batteries in",
    "Ada's cuff is at 5 %",
    {"person": "Ada"},
)
TOPIC = "quietcuff/notices/battery/C0:FF:EE:00:00:01"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Callable[..., int]]:
    """`broker(*lines)` starts Mosquitto with these lines of configuration, and returns its port."""
    with ExitStack() as running:
        yield lambda *lines: running.enter_context(mosquitto(tmp_path, "persistence false", *lines))


def test_who_comes_later_sees_what_stands_and_nothing_that_is_over(broker: Callable[..., int]) -> None:
    port = broker("allow_anonymous true")
    channel = MqttChannel(MqttSettings(host="127.0.0.1", port=port), personal=False)
    channel.begins(LOW, NOW)
    with listening(port) as following:
        message = following()
        assert message.topic == TOPIC
        assert message.retain
        content = json.loads(message.payload)
        assert content["text"] == LOW.text
        assert content["caution"] == CAUTION
        assert "Ada" not in message.payload.decode()
        channel.over(LOW.key, NOW)
        ended = following()
        assert (ended.topic, ended.payload) == (TOPIC, b"")
    channel.begins(Notice("disk", "/var/lib", "full", "free some"), NOW)
    with listening(port) as following:
        assert following().topic == "quietcuff/notices/disk/-var-lib", "the battery is no longer there"


def test_names_go_out_only_with_leave(broker: Callable[..., int]) -> None:
    port = broker("allow_anonymous true")
    MqttChannel(MqttSettings(host="127.0.0.1", port=port, topic="house/cuffs"), personal=True).begins(LOW, NOW)
    with listening(port) as following:
        message = following()
        assert message.topic == "house/cuffs/notices/battery/C0:FF:EE:00:00:01"
        assert json.loads(message.payload)["detail"] == {"person": "Ada"}


def test_a_password_opens_and_a_wrong_one_is_told(broker: Callable[..., int], tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    subprocess.run(
        ["mosquitto_passwd", "-b", "-c", str(passwords), "station", "sesame"], check=True, capture_output=True
    )
    passwords.chmod(0o600)
    port = broker("allow_anonymous false", f"password_file {passwords}")
    secret = tmp_path / "secret"
    settings = {"host": "127.0.0.1", "port": port, "user": "station", "password_file": secret}
    with pytest.raises(ChannelError, match="cannot be read"):
        MqttChannel(MqttSettings(**settings), False).begins(LOW, NOW)
    secret.write_text("wrong\n")
    secret.chmod(0o644)
    with pytest.raises(ChannelError, match="others may read this secret; run chmod 600"):
        MqttChannel(MqttSettings(**settings), False).begins(LOW, NOW)
    secret.chmod(0o600)
    with pytest.raises(ChannelError, match=r"(?i)not authorized"):
        MqttChannel(MqttSettings(**settings), False).begins(LOW, NOW)
    secret.write_text("sesame\n")
    MqttChannel(MqttSettings(**settings), False).begins(LOW, NOW)


@pytest.mark.filterwarnings("ignore:.*<(ssl.SSLSocket|socket.socket)")  # paho leaves one to be collected
def test_tls_with_a_certificate_that_is_trusted_and_one_that_is_not(broker: Callable[..., int], tmp_path: Path) -> None:
    trusted = certificate(tmp_path)
    port = broker("allow_anonymous true", f"certfile {trusted}", f"keyfile {trusted}")
    MqttChannel(MqttSettings(host="127.0.0.1", port=port, tls=True, ca_file=trusted), False).begins(LOW, NOW)
    with pytest.raises(ChannelError, match=r"(?i)certificate"):
        MqttChannel(MqttSettings(host="127.0.0.1", port=port, tls=True), False).begins(LOW, NOW)
    gc.collect()


def test_notices_leave_this_machine_encrypted_only() -> None:
    with pytest.raises(ChannelError, match="leaves this machine encrypted only"):
        MqttChannel(MqttSettings(host="broker.example"), False).begins(LOW, NOW)


def test_certificates_that_are_not_there_are_named(tmp_path: Path) -> None:
    settings = MqttSettings(host="127.0.0.1", port=free_port(), tls=True, ca_file=tmp_path / "ca.pem")
    with pytest.raises(ChannelError, match=r"ca\.pem: no certificates there"):
        MqttChannel(settings, False).begins(LOW, NOW)


def test_a_broker_that_is_not_there_is_one_line() -> None:
    with pytest.raises(ChannelError, match="refused") as caught:
        MqttChannel(MqttSettings(host="127.0.0.1", port=free_port()), False).begins(LOW, NOW)
    assert "\n" not in str(caught.value)
