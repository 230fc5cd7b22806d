"""Readings sent on: the receivers that the configuration names, and the recurring run, side by side."""

import logging
from collections.abc import Callable, Iterable
from dataclasses import fields
from pathlib import Path
from threading import Thread
from typing import Any

from collector.service.config import Config
from collector.service.jobs.export_context import export_context
from collector.share.export.context import ExchangeError
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent, send
from collector.store.errors import StoreError
from collector.store.journal import stations
from collector.store.opening import open_store

log = logging.getLogger("quietcuff.relay")

RELAY_S = 60.0


def receivers_of(config: Config) -> list[Receiver]:
    """In the order of the configuration. What is wrong with one shows when it is used."""
    return [
        Receiver(name=name, **{item.name: getattr(one, item.name) for item in fields(one)})
        for name, one in config.relay.items()
    ]


def start_sending(
    path: Path, config: Config, receiver: Receiver, then: Callable[[Sent], None], now_please: bool = False
) -> Thread:
    """Send what waits for the receiver, in a thread with a store of its own, that keeps no process alive."""

    def work() -> None:
        try:
            with open_store(path, create=False) as store:
                sent = send(store, receiver, export_context(store, config), now_please=now_please)
        except (ExchangeError, StoreError) as error:
            sent = Sent(trouble=str(error), unusable=isinstance(error, ExchangeError))
        then(sent)

    thread = Thread(target=work, name=f"relay {receiver.name}", daemon=True)
    thread.start()
    return thread


class RelayRun:
    """One run over all receivers: none waits for another, and none that is still busy is begun again.

    Returns at once; what was sent is logged as it is sent, trouble once.
    """

    def __init__(self, path: Path, config: Config) -> None:
        self._path, self._config = path, config
        self._told: dict[str, str | None] = {}
        self.running: dict[str, Thread] = {}

    def __call__(self) -> None:
        _be_present(self._path, receivers_of(self._config))
        for receiver in receivers_of(self._config):
            busy = self.running.get(receiver.name)
            if busy is None or not busy.is_alive():
                self.running[receiver.name] = start_sending(self._path, self._config, receiver, self._teller(receiver))

    def _teller(self, receiver: Receiver) -> Callable[[Sent], None]:
        def tell(sent: Sent) -> None:
            for line in _news(receiver.name, sent, self._told):
                log.info("relay: %s", line)

        return tell


_presences: dict[Receiver, Any] = {}
"""Standing connections, of this process: they outlive a configuration that is read again."""


def _be_present(path: Path, receivers: Iterable[Receiver]) -> None:
    """One standing connection to each broker that a home automation server asks, and to no other."""
    wanted = {one for one in receivers if one.discovery and one.kind == "mqtt"}
    for gone in _presences.keys() - wanted:
        _presences.pop(gone).end()
    for new in wanted - _presences.keys():
        from collector.share.relay.mqtt import Presence

        try:
            with open_store(path, create=False, read_only=True) as store:
                _presences[new] = Presence(new, stations.own_uid(store).hex())
        except (ExchangeError, StoreError) as error:
            log.debug("relay: %s: %s", new.name, error)  # sending says it, and check


def words(sent: Sent) -> str:
    """What a run did, for a person: '3 sent, 1 changed'."""
    parts = [
        f"{count} {word}"
        for count, word in (
            (sent.fresh, "sent"),
            (sent.changed, "changed"),
            (sent.gone, "taken back"),
            (sent.refused, "refused"),
        )
        if count
    ]
    return ", ".join(parts)


def _news(name: str, sent: Sent, told: dict[str, str | None]) -> Iterable[str]:
    if done := words(sent):
        yield f"{name}: {done}"
    if sent.skipped is None and sent.trouble != told.get(name):
        told[name] = sent.trouble
        if sent.trouble:
            yield f"{name}: {sent.trouble}; the readings wait and are tried again"
