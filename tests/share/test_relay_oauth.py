"""A token for a signed assertion (RFC 7523), of a small token server that checks the signature with another library.

Source: RFC 6749, section 4.4; RFC 7523, sections 2.2 and 3; HL7 SMART App Launch 2, Backend Services.
"""

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import parse_qs

import pytest
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat
from fhir_server import Shelf, fhir_server
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey
from relaying import household, write_down

from collector.share.export.context import ExchangeError, ExportContext
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent, send
from collector.store.database import Store

CONTEXT = ExportContext(station="5a" * 16)


class Desk:
    """What the token server knows of its client, and what it gave."""

    def __init__(self, shelf: Shelf) -> None:
        self.shelf, self.url = shelf, ""
        self.key: Any = None
        self.expires_in = 300
        self.seen: set[str] = set()
        self.given: list[str] = []
        self.refused: list[str] = []
        self.scopes: list[str] = []

    def token(self, form: dict[str, str]) -> tuple[int, dict[str, Any]]:
        try:
            assert form["grant_type"] == "client_credentials"
            assert form["client_assertion_type"] == "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
            found = jwt.decode(form["client_assertion"], self.key, algorithms=["ES384", "RS384"])
            said = found.claims
            assert found.header["typ"] == "JWT"
            assert found.header["kid"] == "station-key"
            assert said["iss"] == said["sub"] == "station"
            assert said["aud"] == self.url
            assert time.time() < said["exp"] <= time.time() + 300
            assert said["jti"] not in self.seen
        except (AssertionError, JoseError, KeyError, ValueError) as error:
            self.refused.append(f"{type(error).__name__}: {error}")
            # a server that is not careful sends back what it was sent
            return 400, {"error": "invalid_client", "error_description": form.get("client_assertion", "")}
        self.seen.add(said["jti"])
        self.scopes.append(form["scope"])
        self.given.append(f"token-{len(self.given)}")
        self.shelf.token = self.given[-1]
        return 200, {"access_token": self.given[-1], "token_type": "bearer", "expires_in": self.expires_in}


@contextmanager
def token_server(desk: Desk) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            assert self.headers["Content-Type"] == "application/x-www-form-urlencoded"
            form = parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode())
            status, said = desk.token({name: values[0] for name, values in form.items()})
            text = json.dumps(said).encode()
            self.send_response(status)
            self.send_header("Content-Length", str(len(text)))
            self.end_headers()
            self.wfile.write(text)

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = Thread(target=server.serve_forever)
        thread.start()
        try:
            desk.url = f"http://127.0.0.1:{server.server_port}/token"
            yield desk.url
        finally:
            server.shutdown()
            thread.join()


def written(path: Path, key: Any) -> Path:
    path.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    path.chmod(0o600)
    return path


def public(key: Any) -> bytes:
    pem: bytes = key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    return pem


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with household(tmp_path, "mira") as store:
        yield store


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[tuple[Desk, Receiver]]:
    with fhir_server() as (url, shelf):
        shelf.token = "nobody has this yet"
        desk = Desk(shelf)
        key = ec.generate_private_key(ec.SECP384R1())
        desk.key = ECKey.import_key(public(key))
        with token_server(desk) as token_url:
            yield (
                desk,
                Receiver(
                    "clinic",
                    "fhir",
                    url,
                    batch=2,
                    token_url=token_url,
                    client_id="station",
                    key_file=written(tmp_path / "key.pem", key),
                    key_id="station-key",
                ),
            )


def test_a_token_is_asked_for_once_and_used(store: Store, desk: tuple[Desk, Receiver]) -> None:
    there, clinic = desk
    for minute in range(5):
        write_down(store, "mira", minute)
    assert send(store, clinic, CONTEXT) == Sent(fresh=5)
    assert there.refused == []
    assert there.given == ["token-0"]
    assert there.scopes == ["system/*.cruds"]
    assert there.shelf.transactions == 3


def test_an_rsa_key_signs_as_well(store: Store, desk: tuple[Desk, Receiver], tmp_path: Path) -> None:
    there, clinic = desk
    key = rsa.generate_private_key(65537, 2048)
    there.key = RSAKey.import_key(public(key))
    write_down(store, "mira", 0)
    signed = replace(clinic, key_file=written(tmp_path / "rsa.pem", key), scope="system/Observation.c")
    assert send(store, signed, CONTEXT) == Sent(fresh=1)
    assert (there.refused, there.scopes) == ([], ["system/Observation.c"])


def test_a_token_that_ends_soon_is_asked_for_anew(store: Store, desk: tuple[Desk, Receiver]) -> None:
    there, clinic = desk
    there.expires_in = 1
    for minute in range(4):
        write_down(store, "mira", minute)
    assert send(store, clinic, CONTEXT) == Sent(fresh=4)
    assert len(there.given) == 2, "for each transaction"


def test_a_refused_assertion_is_told_without_it_and_the_readings_wait(
    store: Store, desk: tuple[Desk, Receiver], tmp_path: Path
) -> None:
    there, clinic = desk
    write_down(store, "mira", 0)
    other = written(tmp_path / "other.pem", ec.generate_private_key(ec.SECP384R1()))
    sent = send(store, replace(clinic, key_file=other), CONTEXT)
    assert "invalid_client" in (sent.trouble or "")
    assert "eyJ" not in (sent.trouble or ""), "the assertion came back and is masked"
    assert there.refused[0].startswith("BadSignature")
    assert send(store, clinic, CONTEXT, now_please=True) == Sent(fresh=1)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"token_url": "http://auth.clinic.example/token"}, "token_url begins with https://"),
        ({"token_url": "https://auth.clinic.example/token?x=1"}, "token_url"),
        ({"key_file": None}, "client_id, token_url and key_file go together"),
        ({"client_id": ""}, "client_id, token_url and key_file go together"),
        ({"token_file": Path("x")}, "either a token_file or a client_id"),
        ({"kind": "webhook"}, "client_id is for kind 'fhir'"),
    ],
)
def test_settings_that_cannot_be_used(desk: tuple[Desk, Receiver], change: dict[str, Any], told: str) -> None:
    with pytest.raises(ExchangeError, match="relay clinic: ") as error:
        replace(desk[1], **change).check()
    assert told in str(error.value)


def test_a_key_that_cannot_sign_is_told_in_one_line(store: Store, desk: tuple[Desk, Receiver], tmp_path: Path) -> None:
    _, clinic = desk
    write_down(store, "mira", 0)
    open_to_all = written(tmp_path / "open.pem", ec.generate_private_key(ec.SECP384R1()))
    open_to_all.chmod(0o644)
    small = written(tmp_path / "small.pem", ed25519.Ed25519PrivateKey.generate())
    (tmp_path / "none.pem").write_text("no key\n")
    (tmp_path / "none.pem").chmod(0o600)
    for path, told in ((open_to_all, "chmod 600"), (small, "RSA, or EC on P-384"), (tmp_path / "none.pem", "no key")):
        with pytest.raises(ExchangeError) as error:
            send(store, replace(clinic, key_file=path), CONTEXT)
        assert told in str(error.value)
        assert str(path) in str(error.value)
        assert "\n" not in str(error.value)
