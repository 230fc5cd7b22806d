"""A FHIR R4 server as receiver: transactions of conditional creates over HTTPS, with a bearer token from a file or from
its token server (`oauth`).

Source: FHIR R4, http (transaction, conditional create, update and delete); RFC 6750 (bearer token).
"""

import json
from typing import Any, Self

from collector.share.export.context import ExportContext
from collector.share.export.fhir.bundle import delivery, series_delivery
from collector.share.private_file import secret
from collector.share.relay.http_exchange import Answer, HttpConnection
from collector.share.relay.oauth import ClientCredentials
from collector.share.relay.receiver import Receiver
from collector.share.relay.target import Batch, RefusedByReceiver, SeriesNews, Unreachable
from collector.share.text.layout import visible

_MEDIA = "application/fhir+json"
_LATER = {408, 425, 429}
_NO_RIGHT = {401, 403}
_NOT_THERE = {301, 302, 303, 307, 308, 404, 405, 410}


class FhirServer:
    """An open connection to a FHIR server."""

    def __init__(self, receiver: Receiver, context: ExportContext) -> None:
        self._receiver, self._context = receiver, context
        self._headers = {"Content-Type": _MEDIA + "; charset=utf-8", "Accept": _MEDIA, "Prefer": "return=minimal"}
        self._credentials = ClientCredentials(receiver) if receiver.client_id else None
        if receiver.token_file:
            self._headers["Authorization"] = f"Bearer {secret(receiver.token_file)}"
        self._connection = HttpConnection(receiver.host, receiver.timeout_s, receiver.ca_file)

    def deliver(self, batch: Batch) -> None:
        self._transact(*delivery(batch.fresh, batch.changed, batch.gone, self._context))

    def keep_series(self, news: SeriesNews) -> None:
        pages = {name: make() for name, make in news.pages.items()}
        self._transact(*series_delivery(news.averages, pages, news.gone, self._context))

    def _transact(self, text: str, entries: int) -> None:
        if self._credentials:
            self._headers["Authorization"] = f"Bearer {self._credentials.token()}"
        answer = self._connection.post(self._receiver.url.rstrip("/"), text.encode(), self._headers)
        if answer.status in (200, 201):
            return self._check_each(answer.body, entries)
        told = _told(answer)
        where = f"{self._receiver.host} answers {answer.status}{f': {told}' if told else ''}"
        if answer.status >= 500 or answer.status in _LATER:
            raise Unreachable(where, answer.wait)
        if answer.status in _NO_RIGHT:
            raise Unreachable(f"{where}; look at the {'client_id' if self._credentials else 'token file'}")
        if answer.status in _NOT_THERE or answer.status < 400:
            raise Unreachable(f"{where}; no FHIR server takes transactions at this url")
        raise RefusedByReceiver(where)

    def _check_each(self, answer: bytes, entries: int) -> None:
        """A server that takes a transaction says so for each entry (FHIR R4, http, transaction response); anything
        else is no acceptance."""
        host = self._receiver.host
        try:
            bundle = json.loads(answer)
            kind = bundle.get("type")
            states = [str(entry["response"]["status"]) for entry in bundle.get("entry", ())]
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            raise Unreachable(f"{host} gives an answer that is no FHIR") from None
        if kind != "transaction-response":
            raise Unreachable(f"{host} answers with no transaction-response")
        if bad := [state for state in states if not state.startswith("2")]:
            raise RefusedByReceiver(f"{host} answers {visible(bad[0])[:200]} within the transaction")
        if len(states) != entries:
            raise Unreachable(f"{host} tells of {len(states)} of the {entries} entries that it was sent")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()
        if self._credentials:
            self._credentials.close()


def _told(answer: Answer) -> str:
    """The first issue of an OperationOutcome, on one line."""
    try:
        issue: Any = json.loads(answer.body)["issue"][0]
        text = issue.get("diagnostics") or issue.get("details", {}).get("text") or issue.get("code", "")
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, RecursionError):
        return ""
    return visible(" ".join(str(text).split()))[:200]
