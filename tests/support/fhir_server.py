"""A small FHIR R4 server for tests, written from the standard: transactions with conditional create, update, delete.

Source: FHIR R4 4.0.1, http, sections transaction, conditional create, conditional update, conditional delete. No
server that could be had from a registry runs here, so this one holds the client to the text. It checks every resource
with an independent FHIR library, and can be made to fail in the ways that servers and networks do.
"""

import json
import ssl
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from copy import deepcopy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Lock, Thread
from typing import Any
from urllib.parse import unquote

import fhirkit

ORDER = {"DELETE": 0, "POST": 1, "PUT": 2, "GET": 3}  # FHIR R4, http, transaction processing rules


class Wrong(Exception):
    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


class Shelf:
    """What the server holds, and how it is to behave."""

    def __init__(self) -> None:
        self.resources: dict[str, dict[str, Any]] = {}
        self.token: str | None = None
        self.failures: list[tuple[int, dict[str, str]]] = []
        """Answers to give before doing anything: (status, headers)."""
        self.lost_answers = 0
        """How many transactions to carry out without telling."""
        self.refuse: Callable[[dict[str, Any]], bool] = lambda resource: False
        self.echo: str | None = None
        """What to say, with 422, instead of carrying out."""
        self.transactions = 0
        self.seen_headers: list[dict[str, str]] = []
        self._count = 0
        self._lock = Lock()

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [one for name, one in self.resources.items() if name.startswith(kind + "/")]

    def transaction(self, bundle: dict[str, Any]) -> dict[str, Any]:
        with self._lock:
            before = deepcopy(self.resources)
            try:
                answer = self._carry_out(bundle)
            except BaseException:
                self.resources = before
                raise
            self.transactions += 1
            return answer

    def _carry_out(self, bundle: dict[str, Any]) -> dict[str, Any]:
        if bundle.get("resourceType") != "Bundle" or bundle.get("type") != "transaction":
            raise Wrong(400, "no transaction")
        entries = bundle.get("entry", [])
        answers: list[dict[str, Any]] = [{} for _ in entries]
        names: dict[str, str] = {}
        for index, entry in sorted(enumerate(entries), key=lambda one: ORDER[one[1]["request"]["method"]]):
            request = entry["request"]
            kind, _, query = request["url"].partition("?")
            matches = self._find(kind, query or request.get("ifNoneExist", ""))
            if len(matches) > 1:
                raise Wrong(412, "several match")
            status = "200"
            if request["method"] == "DELETE":
                for name in matches:
                    del self.resources[name]
                answers[index] = {"response": {"status": "204"}}
                continue
            resource = entry["resource"]
            if issues := fhirkit.validate(json.dumps(resource)):
                raise Wrong(422, str(issues[0]))
            if self.refuse(resource):
                raise Wrong(422, "this one is not welcome")
            known = matches[0].split("/")[1] if matches else None
            if request["method"] == "PUT" and known and resource.get("id", known) != known:
                raise Wrong(400, "the id is another")
            if request["method"] == "POST" and matches:
                name = matches[0]  # conditional create: it is there, nothing is done
            else:
                if not matches:
                    self._count += 1
                    status = "201"
                name = matches[0] if matches else f"{kind}/{self._count}"
                self.resources[name] = {**resource, "id": name.split("/")[1]}
            names[entry["fullUrl"]] = name
            answers[index] = {"response": {"status": status, "location": f"{name}/_history/1"}}
        for name in {names[entry["fullUrl"]] for entry in entries if "fullUrl" in entry}:
            self.resources[name] = _resolved(self.resources[name], names)
        return {"resourceType": "Bundle", "type": "transaction-response", "entry": answers}

    def _find(self, kind: str, query: str) -> list[str]:
        if not query:
            return []
        parameter, _, wanted = query.partition("=")
        assert parameter == "identifier", query
        system, _, value = wanted.partition("|")
        plain = unquote(value)
        for special in "|,$\\":
            plain = plain.replace("\\" + special, special)
        return [
            name
            for name, one in self.resources.items()
            if name.startswith(kind + "/")
            and any(
                part.get("system") == unquote(system) and part.get("value") == plain
                for part in one.get("identifier", ())
            )
        ]


def _resolved(value: Any, names: dict[str, str]) -> Any:
    if isinstance(value, dict):
        return {
            key: names.get(one, one) if key == "reference" and isinstance(one, str) else _resolved(one, names)
            for key, one in value.items()
        }
    return [_resolved(one, names) for one in value] if isinstance(value, list) else value


@contextmanager
def fhir_server(certificate: Path | None = None) -> Iterator[tuple[str, Shelf]]:
    """(url, shelf) of a server on loopback. certificate: a PEM file with key, for HTTPS."""
    shelf = Shelf()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            shelf.seen_headers.append(dict(self.headers))
            if shelf.failures:
                status, headers = shelf.failures.pop(0)
                return self._answer(status, {}, headers)
            if shelf.token and self.headers.get("Authorization") != f"Bearer {shelf.token}":
                return self._answer(401, {})
            if not self.headers["Content-Type"].startswith("application/fhir+json"):
                return self._answer(415, {})
            if self.path != "/fhir":
                return self._answer(404, {})
            try:
                if shelf.echo:
                    raise Wrong(422, shelf.echo)
                answer = shelf.transaction(json.loads(body))
            except Wrong as error:
                issue = {"severity": "error", "code": "invalid", "diagnostics": str(error)}
                return self._answer(error.status, {"resourceType": "OperationOutcome", "issue": [issue]})
            if shelf.lost_answers:
                shelf.lost_answers -= 1
                self.close_connection = True
                self.connection.close()
                return None
            return self._answer(200, answer)

        def _answer(self, status: int, content: dict[str, Any], headers: dict[str, str] | None = None) -> None:
            text = json.dumps(content).encode()
            self.send_response(status)
            for name, value in {
                "Content-Type": "application/fhir+json",
                "Content-Length": str(len(text)),
                **(headers or {}),
            }.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(text)

        def log_message(self, *_: object) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, *_: object) -> None:
            pass  # lost connections are what the tests are about

    server = Server(("127.0.0.1", 0), Handler)
    if certificate:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate)
        server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"{'https' if certificate else 'http'}://127.0.0.1:{server.server_port}/fhir", shelf
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def answering(body: bytes, pause_s: float = 0.0) -> Iterator[str]:
    """The url of a server that answers 200 with this, whatever it is asked. pause_s: between two octets."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"]))
            self.send_response(200)
            self.send_header("Content-Type", "application/fhir+json")
            self.end_headers()
            with suppress(OSError):
                if not pause_s:
                    self.wfile.write(body)
                for octet in body if pause_s else b"":
                    self.wfile.write(bytes([octet]))
                    time.sleep(pause_s)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/fhir"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
