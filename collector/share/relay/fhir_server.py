"""A FHIR R4 server as receiver: transactions of conditional creates over HTTPS, with a bearer token from a file.

Source: FHIR R4, http (transaction, conditional create, update and delete); RFC 6750 (bearer token).
"""

import http.client
import json
import ssl
from datetime import timedelta
from typing import Any, Self
from urllib.parse import urlsplit

from collector.share.export.context import ExportContext
from collector.share.export.fhir.bundle import delivery
from collector.share.private_file import secret
from collector.share.relay.settings import Receiver
from collector.share.relay.target import Batch, Refused, Unreachable
from collector.share.text.layout import visible

_MEDIA = "application/fhir+json"
_LATER = {408, 425, 429}
_NO_RIGHT = {401, 403}
_NOT_THERE = {301, 302, 303, 307, 308, 404, 405, 410}


class FhirServer:
    """An open connection to a FHIR server."""

    def __init__(self, receiver: Receiver, context: ExportContext) -> None:
        self._receiver, self._context = receiver, context
        parts = urlsplit(receiver.url)
        self._path = parts.path.rstrip("/") or "/"
        self._token = secret(receiver.token_file) if receiver.token_file else None
        host, port = receiver.host, parts.port
        if parts.scheme == "https":
            try:
                trust = ssl.create_default_context(cafile=receiver.ca_file)
            except OSError as error:
                raise Unreachable(f"{receiver.ca_file}: no certificates there ({error.strerror})") from None
            self._connection: http.client.HTTPConnection = http.client.HTTPSConnection(
                host, port, timeout=receiver.timeout_s, context=trust
            )
        else:
            self._connection = http.client.HTTPConnection(host, port, timeout=receiver.timeout_s)

    def deliver(self, batch: Batch) -> None:
        text = delivery(batch.fresh, batch.changed, batch.gone, self._context)
        status, wait, answer = self._post(text.encode())
        if status in (200, 201):
            return self._look_at(answer)
        told = _told(answer)
        where = f"{self._receiver.host} answers {status}{f': {told}' if told else ''}"
        if status >= 500 or status in _LATER:
            raise Unreachable(where, wait)
        if status in _NO_RIGHT:
            raise Unreachable(f"{where}; look at the token file")
        if status in _NOT_THERE:
            raise Unreachable(f"{where}; no FHIR server takes transactions at this url")
        raise Refused(where)

    def _post(self, body: bytes) -> tuple[int, timedelta | None, bytes]:
        headers = {"Content-Type": _MEDIA + "; charset=utf-8", "Accept": _MEDIA, "Prefer": "return=minimal"}
        if self._token is not None:
            headers["Authorization"] = f"Bearer {self._token}"
        try:
            self._connection.request("POST", self._path, body, headers)
            response = self._connection.getresponse()
            answer = response.read()
        except ssl.SSLCertVerificationError as error:
            self._connection.close()
            raise Unreachable(f"{self._receiver.host} is not who it says it is: {error.verify_message}") from None
        except (OSError, http.client.HTTPException) as error:
            self._connection.close()
            reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
            raise Unreachable(f"{self._receiver.host} cannot be reached: {reason}") from None
        asked = response.headers.get("Retry-After", "")
        return response.status, timedelta(seconds=min(int(asked), 86400)) if asked.isdecimal() else None, answer

    def _look_at(self, answer: bytes) -> None:
        """A server that takes a transaction says so for each entry; anything else is no acceptance."""
        try:
            bundle = json.loads(answer) if answer.strip() else {}
            states = [str(entry["response"]["status"]) for entry in bundle.get("entry", ())]
        except (ValueError, KeyError, TypeError, AttributeError):
            raise Unreachable(f"{self._receiver.host} gives an answer that is no FHIR") from None
        if bundle and bundle.get("type") != "transaction-response":
            raise Unreachable(f"{self._receiver.host} answers with no transaction-response")
        if bad := [state for state in states if not state.startswith(("2", "304"))]:
            raise Refused(f"{self._receiver.host} answers {visible(bad[0])} within the transaction")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()


def _told(answer: bytes) -> str:
    """The first issue of an OperationOutcome, on one line."""
    try:
        issue: Any = json.loads(answer)["issue"][0]
        text = issue.get("diagnostics") or issue.get("details", {}).get("text") or issue.get("code", "")
    except (ValueError, KeyError, IndexError, TypeError, AttributeError):
        return ""
    return visible(" ".join(str(text).split()))[:200]
