"""HTTPS requests that end: one deadline from asking to the last octet, and an answer of at most a megabyte.

Needs the extra `http` (httpx). No redirect is followed and nothing is taken from the environment, so that what is sent
goes where the configuration says and nowhere else. Source: RFC 9110 (10.2.3 Retry-After, a date or seconds).
"""

import asyncio
import os
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from importlib import import_module
from pathlib import Path
from typing import Any

from collector.share.export.context import ExchangeError
from collector.share.relay.target import TooSlow, Unreachable

LONGEST_ANSWER = 1_000_000
_LONGEST_WAIT = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Answer:
    status: int
    body: bytes
    wait: timedelta | None  # how long the server asks to be left alone


class HttpConnection:
    """Kept open between requests. Raises ExchangeError without the extra, else Unreachable in one line."""

    def __init__(self, host: str, timeout_s: float, ca_file: Path | None) -> None:
        try:
            self._httpx: Any = import_module("httpx")
        except ImportError:
            raise ExchangeError("HTTPS needs the extra 'http': pip install 'quietcuff[http]'") from None
        try:
            trust = ssl.create_default_context(cafile=ca_file)
        except OSError as error:
            raise Unreachable(f"{ca_file}: no certificates there ({error.strerror})") from None
        self._host, self._timeout_s = host, timeout_s
        self._loop = asyncio.new_event_loop()
        self._client = self._httpx.AsyncClient(verify=trust, trust_env=False, timeout=None)

    def post(self, url: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        try:
            return self._loop.run_until_complete(self._post(url, body, headers))
        except TimeoutError:
            raise TooSlow(f"{self._host} did not answer in whole within {self._timeout_s:g} s") from None
        except self._httpx.InvalidURL as error:
            raise Unreachable(f"{self._host}: the url cannot be used ({error})") from None
        except self._httpx.HTTPError as error:
            raise Unreachable(_told(self._host, error)) from None

    async def _post(self, url: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        plain = {**headers, "Accept-Encoding": "identity"}
        async with (
            asyncio.timeout(self._timeout_s),
            self._client.stream("POST", url, content=body, headers=plain) as response,
        ):
            read = bytearray()
            async for part in response.aiter_raw():
                read += part
                if len(read) > LONGEST_ANSWER:
                    raise Unreachable(f"{self._host} answers with more than {LONGEST_ANSWER // 1000} kB")
            return Answer(response.status_code, bytes(read), wait_asked(response.headers.get("Retry-After", "")))

    def close(self) -> None:
        self._loop.run_until_complete(self._client.aclose())
        self._loop.close()


def wait_asked(text: str, now: datetime | None = None) -> timedelta | None:
    """What a Retry-After asks for, at most a day; None for nothing that can be read."""
    if text.isdecimal():
        return min(timedelta(seconds=min(int(text), 10**6)), _LONGEST_WAIT)
    try:
        until = parsedate_to_datetime(text)
    except ValueError:
        return None
    if until.tzinfo is None:
        until = until.replace(tzinfo=UTC)
    return min(max(until - (now or datetime.now(UTC)), timedelta()), _LONGEST_WAIT)


def _told(host: str, error: BaseException) -> str:
    """In one line, by the cause at the bottom: a certificate, the network, the server's manners."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"{host} is not who it says it is: {cause.verify_message}"
        if isinstance(cause, OSError) and cause.strerror:
            return f"{host} cannot be reached: {_plain(cause)}"
        cause = cause.__cause__ or cause.__context__
    return f"{host} cannot be reached: {str(error) or type(error).__name__}"


def _plain(error: OSError) -> str:
    return os.strerror(error.errno) if error.errno and error.errno > 0 else str(error.strerror)
