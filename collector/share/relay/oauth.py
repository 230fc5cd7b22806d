"""A token for a short while, in exchange for an assertion that our private key signs.

Source: RFC 6749, section 4.4 (client credentials); RFC 7523, sections 2.2 and 3 (signed assertion); HL7 SMART App
Launch 2, Backend Services (RS384 or ES384, at most five minutes). Needs the extra `oauth` (PyJWT).
"""

import json
import time
from collections.abc import Mapping
from importlib import import_module
from typing import Any
from urllib.parse import urlencode, urlsplit
from uuid import uuid4

from collector.share.export.context import ExchangeError
from collector.share.private_file import masked, private_text, remember_secret
from collector.share.relay.http_exchange import HttpConnection
from collector.share.relay.receiver import Receiver
from collector.share.relay.target import Unreachable
from collector.share.text.layout import visible

_LASTS_S = 240
_BEFORE_S = 30.0
"""A token that ends within so many seconds is not used any longer."""
_USUAL_S = 300.0  # where the server does not say


class ClientCredentials:
    """The token of one connection. Raises ExchangeError for a key that cannot be used, else Unreachable."""

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self._sign = _signer(receiver)
        host = urlsplit(receiver.token_url).hostname or ""
        self._host, self._connection = host, HttpConnection(host, receiver.timeout_s, receiver.ca_file)
        self._token, self._until = "", 0.0

    def token(self) -> str:
        if time.monotonic() >= self._until - _BEFORE_S:
            said = self._asked()
            self._token = str(said["access_token"])
            remember_secret(self._token)
            lasts = said.get("expires_in")
            self._until = time.monotonic() + (lasts if isinstance(lasts, int | float) else _USUAL_S)
        return self._token

    def _asked(self) -> Mapping[str, Any]:
        receiver = self._receiver
        now = int(time.time())
        assertion = self._sign(
            {
                "iss": receiver.client_id,
                "sub": receiver.client_id,
                "aud": receiver.token_url,
                "iat": now,
                "exp": now + _LASTS_S,
                "jti": str(uuid4()),
            }
        )
        remember_secret(assertion)
        form = {
            "grant_type": "client_credentials",
            "scope": receiver.scope,
            "client_assertion_type": "urn:ietf:params:oauth:client-assertion-type:jwt-bearer",
            "client_assertion": assertion,
        }
        headers = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
        answer = self._connection.post(receiver.token_url, urlencode(form).encode(), headers)
        try:
            said = json.loads(answer.body)
            if answer.status == 200 and said["access_token"] and str(said["token_type"]).lower() == "bearer":
                return dict(said)
            told = f"{said.get('error', '')} {said.get('error_description', '')}"
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            told = ""
        words = f": {visible(masked(' '.join(told.split())))[:200]}" if told.strip() else ""
        where = f"{self._host} gives no token (answers {answer.status}){words}"
        raise Unreachable(f"{where}; look at client_id and key_file", answer.wait)

    def close(self) -> None:
        self._connection.close()


def _signer(receiver: Receiver) -> Any:
    """A function that signs claims."""
    try:
        jwt: Any = import_module("jwt")
        keys: Any = import_module("cryptography.hazmat.primitives.serialization")
        curves: Any = import_module("cryptography.hazmat.primitives.asymmetric.ec")
        numbers: Any = import_module("cryptography.hazmat.primitives.asymmetric.rsa")
    except ImportError:
        raise ExchangeError("a signed assertion needs the extra 'oauth': pip install 'quietcuff[oauth]'") from None
    path = receiver.key_file
    assert path is not None, "the receiver is checked"
    try:
        key = keys.load_pem_private_key(private_text(path).encode(), None)
    except (ValueError, TypeError):
        raise ExchangeError(f"{path}: no key is in it that could be read (PEM, without a password)") from None
    if isinstance(key, numbers.RSAPrivateKey):
        algorithm = "RS384"
    elif isinstance(key, curves.EllipticCurvePrivateKey) and key.curve.name == "secp384r1":
        algorithm = "ES384"
    else:
        raise ExchangeError(f"{path}: receivers accept a key that is RSA, or EC on P-384; this is another")
    headers = {"kid": receiver.key_id} if receiver.key_id else None
    return lambda claims: jwt.encode(claims, key, algorithm, headers)
