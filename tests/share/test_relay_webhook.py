"""Sending on to a plain HTTPS address: signed, once a 2xx says so."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from relaying import Clock, household, write_down

from collector.share.export.context import ExchangeError, ExportContext
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import send
from collector.share.relay.webhook import signature
from collector.store import outbox
from collector.store.database import Store

KEY = "Jefe"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with household(tmp_path, "mira") as store:
        yield store


@pytest.fixture
def key(tmp_path: Path) -> Path:
    file = tmp_path / "key"
    file.write_text(KEY)
    file.chmod(0o600)
    return file


@contextmanager
def hearing(status: int = 204) -> Iterator[tuple[str, list[tuple[dict[str, str], bytes]]]]:
    """(url, what was posted there)."""
    heard: list[tuple[dict[str, str], bytes]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            heard.append((dict(self.headers), self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/hook", heard
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def test_the_signature_is_that_of_the_standard() -> None:
    """RFC 4231, section 4.3 (test case 2): key 'Jefe', data 'what do ya want for nothing?'. The data has no full stop,
    so the construction is shown on the library that both use and the vector on the digest itself."""
    import hmac

    data = b"what do ya want for nothing?"
    digest = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert hmac.new(b"Jefe", data, "sha256").hexdigest() == digest
    assert signature(b"Jefe", "1", data) == hmac.new(b"Jefe", b"1." + data, "sha256").hexdigest()


def test_a_batch_is_a_signed_post(store: Store, key: Path) -> None:
    sent = [write_down(store, "mira", minute) for minute in range(3)]
    with hearing() as (url, heard):
        receiver = Receiver("hook", "webhook", url, password_file=key)
        assert send(store, receiver, ExportContext()).fresh == 3
        with store.transaction():
            store.query("UPDATE reading SET person_id = NULL WHERE reading_id = ?", (sent[0],))
        assert send(store, receiver, ExportContext()).gone == 1
    (headers, body), (_, withdrawn) = heard
    assert [json.loads(line)["reading_id"] for line in body.splitlines()] == sent
    assert headers["Signature"] == "sha256=" + signature(KEY.encode(), headers["Signed-At"], body)
    assert json.loads(withdrawn) == {"reading_id": sent[0]}
    assert KEY not in str(headers)


@pytest.mark.parametrize(("status", "refused"), [(422, 1), (500, 0), (302, 0), (401, 0)])
def test_nothing_but_a_2xx_is_acceptance(store: Store, key: Path, status: int, refused: int) -> None:
    write_down(store, "mira", 0)
    with hearing(status) as (url, _):
        sent = send(store, Receiver("hook", "webhook", url, password_file=key), ExportContext(), clock=Clock())
    assert (sent.fresh, sent.refused, outbox.status(store)[0].waiting) == (0, refused, 1)


def test_without_a_key_nothing_is_sent(store: Store) -> None:
    write_down(store, "mira", 0)
    with hearing() as (url, heard), pytest.raises(ExchangeError, match="password_file"):
        send(store, Receiver("hook", "webhook", url), ExportContext())
    assert heard == []
