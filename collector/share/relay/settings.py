"""What a receiver is and how it is reached. Passwords and tokens are in files of their own, never in here."""

import os
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import urlsplit

from collector.share.export.context import ExchangeError

SCHEMES = {"fhir": ("https", "http"), "postgresql": ("postgresql",), "mqtt": ("mqtts", "mqtt")}
SECURE = {"https", "mqtts"}


@dataclass(frozen=True, slots=True)
class Receiver:
    """One receiver.

    kind: 'fhir', 'postgresql' or 'mqtt'. people: only these; empty for everybody. unassigned: whether readings that
    are nobody's go there too. ca_file: certificates to trust instead of the system's. topic, last: MQTT only.
    """

    name: str
    kind: str
    url: str
    user: str = ""
    token_file: Path | None = None
    password_file: Path | None = None
    ca_file: Path | None = None
    people: tuple[str, ...] = ()
    unassigned: bool = False
    topic: str = "quietcuff"
    last: bool = False
    batch: int = 50
    timeout_s: float = 30.0

    def check(self) -> "Receiver":
        """Itself. Raises ExchangeError in one line for what must not or cannot be."""
        if self.kind not in SCHEMES:
            raise ExchangeError(f"relay {self.name}: kind is '{self.kind}'; allowed: {', '.join(SCHEMES)}")
        try:
            parts = urlsplit(self.url)
            host, password, _ = parts.hostname, parts.password, parts.port
        except ValueError as error:
            raise ExchangeError(f"relay {self.name}: the url cannot be read ({error})") from None
        if password is not None or (parts.username and self.kind != "postgresql"):
            raise ExchangeError(
                f"relay {self.name}: a url holds no password; put it in a file and name the file "
                "as password_file or token_file"
            )
        if parts.scheme not in SCHEMES[self.kind] or not host:
            wanted = " or ".join(f"{scheme}://…" for scheme in SCHEMES[self.kind])
            raise ExchangeError(f"relay {self.name}: the url of kind '{self.kind}' begins with {wanted}")
        if self.kind != "postgresql" and parts.scheme not in SECURE and not self.loopback:
            raise ExchangeError(
                f"relay {self.name}: readings leave this machine encrypted only; begin the url with "
                f"{SCHEMES[self.kind][0]}://"
            )
        return self

    @property
    def host(self) -> str:
        return urlsplit(self.url).hostname or ""

    @property
    def loopback(self) -> bool:
        """Whether it is on this machine, where nothing goes over a wire."""
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


def secret(path: Path) -> str:
    """The first line of a file that its owner alone may read. Raises ExchangeError, never with the content."""
    try:
        mode = os.stat(path).st_mode
        if mode & 0o077:
            raise ExchangeError(f"{path}: others may read this secret; run chmod 600 {path}")
        lines = path.read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not text"
        raise ExchangeError(f"{path}: the secret cannot be read ({reason.lower()})") from None
    if not lines or not lines[0].strip():
        raise ExchangeError(f"{path}: the file of the secret is empty")
    return lines[0].strip()
