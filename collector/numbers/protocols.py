"""Protocols by name: the published ones, and those that a clinic writes into its configuration."""

from collections.abc import Mapping
from difflib import get_close_matches
from types import MappingProxyType

from collector.numbers.published import published
from collector.numbers.rules import Protocol

PROTOCOLS: Mapping[str, Protocol] = MappingProxyType({one.name: one for one in published()})

USUAL = "esh-2023"
"""Where neither the command nor the person's plan names one."""


class UnknownProtocol(LookupError):
    """No protocol of that name; the text lists those there are."""

    def __init__(self, name: str, known: Mapping[str, Protocol]) -> None:
        close = get_close_matches(name, known, 1)
        hint = f"did you mean '{close[0]}'? " if close else ""
        super().__init__(f"no protocol '{name}'; {hint}known: {', '.join(known)}")


def protocol(name: str, own: Mapping[str, Protocol] | None = None) -> Protocol:
    """By name; letter case, spaces, slashes and underscores do not matter. own: a clinic's, which go first.

    Raises UnknownProtocol.
    """
    known = {**PROTOCOLS, **(own or {})}
    wanted = "-".join(name.lower().replace("_", " ").replace("/", " ").replace("-", " ").split())
    if wanted not in known:
        raise UnknownProtocol(name, known)
    return known[wanted]
