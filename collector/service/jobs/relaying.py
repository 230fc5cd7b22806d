"""Readings sent on: the receivers that the configuration names, and the recurring run."""

from collections.abc import Callable, Iterable
from dataclasses import fields
from pathlib import Path

from collector.service.config import Config
from collector.service.jobs.export_context import export_context
from collector.share.export.context import ExchangeError
from collector.share.relay.sending import Sent, send
from collector.share.relay.settings import Receiver
from collector.store.opening import open_store

RELAY_S = 60.0


def receivers_of(config: Config) -> list[Receiver]:
    """In the order of the configuration. What is wrong with one shows when it is used."""
    return [
        Receiver(name=name, **{item.name: getattr(one, item.name) for item in fields(one)})
        for name, one in config.relay.items()
    ]


def relay(path: Path, config: Config) -> Callable[[], str | None]:
    """One run over all receivers, on a connection of its own; says what was sent, and trouble once."""
    told: dict[str, str | None] = {}

    def work() -> str | None:
        with open_store(path, create=False) as store:
            context = export_context(store, config)
            lines: list[str] = []
            for receiver in receivers_of(config):
                try:
                    sent = send(store, receiver, context)
                except ExchangeError as error:
                    sent = Sent(trouble=str(error))
                lines += _news(receiver.name, sent, told)
        return "; ".join(lines) or None

    return work


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
