"""What a receiver is and how it is reached. Passwords and tokens are in files of their own, never in here."""

from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import urlsplit

from collector.share.export.context import ExchangeError
from collector.share.private_file import private_text, secret
from collector.share.relay.kinds import KINDS, TargetKind


@dataclass(frozen=True, slots=True)
class Board:
    """Where the newest readings are shown: `topic` and `discovery` of a receiver; both empty where nowhere."""

    topic: str = ""
    discovery: str = ""

    def __bool__(self) -> bool:
        return bool(self.topic)


@dataclass(frozen=True, slots=True)
class Receiver:
    """One receiver.

    kind: a name of KINDS. people: only these; empty for everybody. unassigned: whether readings that are nobody's go
    there too. ca_file: certificates to trust instead of the system's. topic, last, discovery: MQTT only; discovery is
    where a home automation server listens for what there is, and the newest are retained then. batch: readings at once,
    at most; 0 for what is usual with its kind. token_url, client_id, key_file, key_id, scope: of a FHIR server that
    gives tokens for an assertion signed with our key (see `oauth`). averages, report: whether it gets each person's
    average, with its page (FHIR). timeout_s: for a whole exchange, from asking to the last octet.
    """

    name: str
    kind: str
    url: str
    user: str = ""
    token_file: Path | None = None
    password_file: Path | None = None
    token_url: str = ""
    client_id: str = ""
    key_file: Path | None = None
    key_id: str = ""
    scope: str = "system/*.cruds"
    ca_file: Path | None = None
    people: tuple[str, ...] = ()
    unassigned: bool = False
    topic: str = "quietcuff"
    last: bool = False
    discovery: str = ""
    averages: bool = False
    report: bool = False
    batch: int = 0
    timeout_s: float = 30.0

    def check(self) -> "Receiver":
        """Itself. Raises ExchangeError in one line for what must not or cannot be."""
        kind = KINDS.get(self.kind)
        if kind is None:
            raise ExchangeError(f"relay {self.name}: kind is '{self.kind}'; allowed: {', '.join(KINDS)}")
        try:
            parts = urlsplit(self.url)
            host, password, _ = parts.hostname, parts.password, parts.port
        except ValueError as error:
            raise ExchangeError(f"relay {self.name}: the url cannot be read ({error})") from None
        if password is not None or (parts.username and not kind.user_in_url):
            raise ExchangeError(
                f"relay {self.name}: a url holds no password; put it in a file and name the file "
                "as password_file or token_file"
            )
        if parts.scheme not in kind.schemes or not host:
            wanted = " or ".join(f"{scheme}://…" for scheme in kind.schemes)
            raise ExchangeError(f"relay {self.name}: the url of kind '{self.kind}' begins with {wanted}")
        if parts.query or parts.fragment:
            raise ExchangeError(f"relay {self.name}: take everything from '?' or '#' on out of the url; it is not sent")
        if not kind.encrypts and parts.scheme != kind.schemes[0] and not self.loopback:
            raise ExchangeError(
                f"relay {self.name}: readings leave this machine encrypted only; begin the url with "
                f"{kind.schemes[0]}://"
            )
        self._check_client(kind)
        if kind.signs and self.password_file is None:
            raise ExchangeError(f"relay {self.name}: a webhook is signed; name the key's file as password_file")
        return self

    def _check_client(self, kind: TargetKind) -> None:
        given = (self.client_id, self.token_url, self.key_file)
        if not any(given):
            return
        if not all(given):
            raise ExchangeError(f"relay {self.name}: client_id, token_url and key_file go together")
        if kind.name != "fhir":
            raise ExchangeError(f"relay {self.name}: client_id is for kind 'fhir'")
        if self.token_file:
            raise ExchangeError(f"relay {self.name}: either a token_file or a client_id says who we are, not both")
        try:
            parts = urlsplit(self.token_url)
            alone = not (parts.query or parts.fragment or parts.username or parts.password)
            sure = parts.scheme == "https" or (parts.scheme == "http" and is_this_machine(parts.hostname or ""))
        except ValueError:
            alone = sure = False
        if not (alone and sure and parts.hostname):
            raise ExchangeError(f"relay {self.name}: token_url begins with https:// and has no '?', '#' or user in it")

    def check_secrets(self) -> None:
        """Raises ExchangeError, one line with the file's name, for a secret that cannot be used."""
        for path in (self.token_file, self.password_file):
            if path is not None:
                secret(path)
        if self.key_file is not None:
            private_text(self.key_file)

    @property
    def most(self) -> int:
        """Readings at once, at most."""
        return self.batch or KINDS[self.kind].batch

    @property
    def board(self) -> Board:
        shows = self.kind == "mqtt" and (self.last or self.discovery)
        return Board(self.topic, self.discovery) if shows else Board()

    @property
    def host(self) -> str:
        return urlsplit(self.url).hostname or ""

    @property
    def loopback(self) -> bool:
        return is_this_machine(self.host)


def is_this_machine(host: str) -> bool:
    """Whether nothing goes over a wire on the way to this address or name."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
