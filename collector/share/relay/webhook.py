"""A plain HTTPS address as receiver: a POST a batch, signed. Needs the extra `http`.

The body is NDJSON: a reading a line, as in an export, and `{"reading_id": …}` alone for one that was taken back. The
header `Signature` is `sha256=` and the HMAC (RFC 2104, SHA-256, hex) of the header `Signed-At` (seconds since 1970, so
that an old request cannot be sent again), a full stop and the body; the key is the first line of the password file. A
2xx says that all of it was taken; the reading_id tells a repeat.
"""

import hmac
import time
from typing import Self

from collector.share.export.context import ExportContext
from collector.share.export.rows import json_rows, json_text
from collector.share.private_file import secret
from collector.share.relay.http_exchange import HttpConnection
from collector.share.relay.receiver import Receiver
from collector.share.relay.target import Batch, RefusedByReceiver, Unreachable

_ABOUT_THE_CONTENT = {400, 409, 413, 422}


class Webhook:
    """An open connection to the address."""

    def __init__(self, receiver: Receiver, context: ExportContext) -> None:
        assert receiver.password_file is not None  # `check` of a kind that signs
        self._receiver, self._key = receiver, secret(receiver.password_file).encode()
        self._connection = HttpConnection(receiver.host, receiver.timeout_s, receiver.ca_file)

    def deliver(self, batch: Batch) -> None:
        lines = [*json_rows(batch.readings), *(json_text({"reading_id": one}) for one in batch.gone)]
        body = "".join(line + "\n" for line in lines).encode()
        at = str(int(time.time()))
        headers = {
            "Content-Type": "application/x-ndjson",
            "Signed-At": at,
            "Signature": "sha256=" + signature(self._key, at, body),
        }
        answer = self._connection.post(self._receiver.url, body, headers)
        if 200 <= answer.status < 300:
            return
        where = f"{self._receiver.host} answers {answer.status}"
        if answer.status in _ABOUT_THE_CONTENT:
            raise RefusedByReceiver(where)
        raise Unreachable(where, answer.wait)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()


def signature(key: bytes, at: str, body: bytes) -> str:
    """What the receiver works out as well, and compares."""
    return hmac.new(key, at.encode() + b"." + body, "sha256").hexdigest()
