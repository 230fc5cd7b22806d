"""Real servers on loopback for tests: PostgreSQL and Mosquitto from Debian, each in a folder of its own."""

import glob
import os
import queue
import shutil
import socket
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port


def certificate(folder: Path, host: str = "127.0.0.1") -> Path:
    """A self-signed certificate with its key in one PEM file. host: an address of this machine, or a name."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "test")])
    whom = x509.IPAddress(IPv4Address(host)) if host[0].isdigit() else x509.DNSName(host)
    now = datetime.now(UTC)
    certified = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName([whom]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, SHA256())
        .public_bytes(Encoding.PEM)
    )
    secret = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    for file, text in (("key.pem", secret), ("cert.pem", certified), ("server.pem", secret + certified)):
        (folder / file).write_bytes(text)
    return folder / "server.pem"


@contextmanager
def postgresql() -> Iterator[int]:
    """The port of a PostgreSQL server whose user 'postgres' needs no password."""
    programs = sorted(glob.glob("/usr/lib/postgresql/*/bin"))
    assert programs, "PostgreSQL is missing: apt install postgresql"
    owner = "postgres" if os.geteuid() == 0 else None  # it refuses to run as root
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        if owner:
            shutil.chown(home, owner)
        subprocess.run(
            [
                f"{programs[-1]}/initdb",
                "-D",
                str(home / "data"),
                "-A",
                "trust",
                "-U",
                "postgres",
                "--no-sync",
                "-E",
                "UTF8",
                "--locale",
                "C.UTF-8",
            ],
            check=True,
            capture_output=True,
            user=owner,
            cwd=home,
        )
        with _postgres(f"{programs[-1]}/postgres", home, owner) as port:
            yield port


@contextmanager
def _postgres(program: str, home: Path, owner: str | None) -> Iterator[int]:
    port = free_port()
    process = subprocess.Popen(
        [
            program,
            "-D",
            str(home / "data"),
            "-p",
            str(port),
            "-k",
            str(home),
            "-c",
            "fsync=off",
            "-c",
            "listen_addresses=127.0.0.1",
            "-c",
            "max_wal_size=2GB",
        ],
        stderr=subprocess.PIPE,
        text=True,
        user=owner,
        cwd=home,
    )
    with _until(process, "ready to accept connections"):
        try:
            yield port
        finally:
            process.send_signal(2)  # fast shutdown
            process.wait(60)


@contextmanager
def mosquitto(folder: Path, *lines: str, port: int | None = None) -> Iterator[int]:
    """The port of a Mosquitto broker with these lines of configuration."""
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin")
    assert program, "Mosquitto is missing: apt install mosquitto"
    port = port or free_port()
    file = folder / "mosquitto.conf"
    file.write_text("\n".join(["user root", f"listener {port} 127.0.0.1", "log_dest stderr", *lines]) + "\n")
    process = subprocess.Popen([program, "-c", str(file)], stderr=subprocess.PIPE, text=True)
    with _until(process, "running"):
        try:
            yield port
        finally:
            process.terminate()
            process.wait(20)


@contextmanager
def listening(port: int) -> Iterator[Callable[..., MQTTMessage | None]]:
    """Somebody who subscribes to everything now; call it for the next message, retained as it was published.

    Called with a time in seconds it gives None where none comes in that time.
    """
    heard: queue.Queue[MQTTMessage] = queue.Queue()
    subscribed = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
    client.on_message = lambda client, data, message: heard.put(message)
    client.on_subscribe = lambda *_: subscribed.set()
    client.on_connect = lambda client, *_: client.subscribe(
        "#", options=SubscribeOptions(qos=1, retainAsPublished=True)
    )
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert subscribed.wait(20)
        yield lambda wait_s=None: _next(heard, wait_s)
    finally:
        client.disconnect()
        client.loop_stop()


def _next(heard: "queue.Queue[MQTTMessage]", wait_s: float | None) -> MQTTMessage | None:
    try:
        return heard.get(timeout=20 if wait_s is None else wait_s)
    except queue.Empty:
        if wait_s is None:
            raise
        return None


@contextmanager
def _until(process: "subprocess.Popen[str]", word: str) -> Iterator[None]:
    """Once the server says that it is up; goes on reading what it says, since a full pipe would stop it."""
    assert process.stderr
    said = []
    for line in process.stderr:
        said.append(line)
        if word in line:
            break
    else:
        pytest.fail("the server did not start: " + "".join(said))
    reader = threading.Thread(target=process.stderr.read)
    reader.start()
    try:
        yield
    finally:
        reader.join()
        process.stderr.close()
