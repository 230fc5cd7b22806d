"""Is what the configuration names there: secrets for their owner alone, a key that works, people of the store?"""

from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path
from shlex import quote

from collector.service.checks.finding import Finding, attention, fine
from collector.service.config import Config
from collector.service.jobs.sealing import Seal, SealError
from collector.share.export.context import ExchangeError
from collector.share.private_file import secret
from collector.store import people
from collector.store.database import Store
from collector.store.errors import StoreError


def secrets(config: Config) -> Iterator[Finding]:
    """Files of passwords and tokens, and the key that backups are sealed to."""
    named: list[tuple[str, Path | None]] = [("mqtt", config.mqtt.password_file)]
    for name, relay in config.relay.items():
        named += [(f"relay {name}", relay.token_file), (f"relay {name}", relay.password_file)]
    for topic, path in named:
        if path is None:
            continue
        try:
            secret(path)
        except ExchangeError as error:
            yield attention(f"{topic} secret", str(error), "let only the service's user read it, with the secret in it")
    if config.backup.encrypt_to:
        try:
            Seal(config.backup.encrypt_to)
            yield fine("backup key", "works")
        except SealError as error:
            yield attention("backup key", str(error), "until that is mended no backup is made")


def unknown_people(store: Store, config: Config) -> Iterator[Finding]:
    """A plan under a name that nobody has does nothing, and a receiver gets nothing of such a one."""
    named = [(f"[people.{name}]", name) for name in config.people]
    for receiver, relay in config.relay.items():
        named += [(f"'{name}' in people of [relay.{receiver}]", name) for name in relay.people]
    known = [person.name for person in people.every(store)]
    for place, name in named:
        try:
            if people.find(store, name) is not None:
                continue
        except StoreError:
            continue  # two of that name: told where one of them is meant
        close = get_close_matches(name, known, 1)
        hint = f"did you mean {close[0]}? " if close else ""
        yield attention(
            "people",
            f"{place} is nobody of this store",
            f"{hint}`quietcuff person list` shows who is here, `quietcuff person add {quote(name)}` adds them",
        )
