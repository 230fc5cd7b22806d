"""The kinds of receivers, each in one line: to add one, write its module and add it here."""

from dataclasses import dataclass
from importlib import import_module
from typing import Any


@dataclass(frozen=True, slots=True)
class TargetKind:
    """schemes: what a url begins with, the encrypted one first. target: 'module:class', imported when it is used.

    batch: how many readings at once, at most, where the configuration says nothing. user_in_url: a database's address
    may name who asks. encrypts: whether the connection is encrypted whatever the scheme. entries: whether it keeps
    what people entered as well (`target.KeepsEntries`). signs: each batch, with the key in `password_file`.
    """

    name: str
    schemes: tuple[str, ...]
    target: str
    batch: int
    user_in_url: bool = False
    encrypts: bool = False
    entries: bool = False
    signs: bool = False

    def load(self) -> Any:
        """The class; `Class(receiver, context)` is an open connection (`collector.share.relay.target.Target`)."""
        module, _, name = self.target.partition(":")
        return getattr(import_module(module), name)


KINDS = {
    kind.name: kind
    for kind in (
        TargetKind("fhir", ("https", "http"), "collector.share.relay.fhir_server:FhirServer", batch=50),
        TargetKind(
            "postgresql",
            ("postgresql",),
            "collector.share.relay.postgresql:Database",
            batch=500,
            user_in_url=True,
            encrypts=True,
            entries=True,
        ),
        TargetKind("webhook", ("https", "http"), "collector.share.relay.webhook:Webhook", batch=50, signs=True),
        TargetKind("mqtt", ("mqtts", "mqtt"), "collector.share.relay.mqtt:MqttTarget", batch=50),
    )
}
