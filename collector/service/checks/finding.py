"""What one look found."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from collector.store.database import Store
from collector.store.errors import ODD, UnreadableError
from collector.store.unreadable import why


class FindingState(StrEnum):
    FINE = "fine"
    ATTENTION = "attention"
    BROKEN = "broken"  # nothing can be collected or read until it is mended


@dataclass(frozen=True, slots=True)
class Finding:
    """topic: what was looked at. text: what is so. remedy: what mends it, empty where nothing has to be."""

    topic: str
    state: FindingState
    text: str
    remedy: str = ""


def fine(topic: str, text: str) -> Finding:
    return Finding(topic, FindingState.FINE, text)


def attention(topic: str, text: str, remedy: str) -> Finding:
    return Finding(topic, FindingState.ATTENTION, text, remedy)


def broken(topic: str, text: str, remedy: str) -> Finding:
    return Finding(topic, FindingState.BROKEN, text, remedy)


def readable(store: Store, findings: Iterator[Finding]) -> Iterator[Finding]:
    """These and, where one of them cannot be had for a value in the store that is none, that: the look goes on."""
    try:
        yield from findings
    except ODD as error:
        told = error if isinstance(error, UnreadableError) else why(error, store.path)
        if told is None:
            raise
        yield attention("values", str(told), "do what `quietcuff check` says of values, without --quick")
