"""The options that choose readings, the same for every command that takes some."""

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import timedelta, tzinfo
from typing import Annotated

import typer

from collector.cli.common import dates
from collector.cli.common.command import GlobalOptions, Usage, say
from collector.cli.common.erased import finish_and_tell, finish_before_reading
from collector.store import readings
from collector.store.database import Store
from collector.store.namesakes import folded
from collector.store.opening import open_store, remove_if_empty
from collector.store.people.slot_spans import Slot
from collector.store.values import Reading, Selection

Since = Annotated[
    str | None, typer.Option(metavar="TIME", help="From this time on: a date (from its midnight) or ISO 8601.")
]
Until = Annotated[str | None, typer.Option(metavar="TIME", help="Until before this time; a date counts in whole.")]
OfCuff = Annotated[str | None, typer.Option(metavar="CUFF", help="Of this cuff only: its name or address.")]
OfPerson = Annotated[
    str | None, typer.Argument(metavar="[PERSON]", help="Of this person only; everybody's if not given.")
]
PersonOption = Annotated[str | None, typer.Option("--person", metavar="PERSON", help="As PERSON.", hidden=True)]
"""What PERSON was before it was an argument."""
Unassigned = Annotated[bool, typer.Option("--unassigned", help="Only those that are nobody's yet.")]


def selection(
    options: GlobalOptions,
    *,
    since: str | None = None,
    until: str | None = None,
    cuff: str | None = None,
    person: str | None = None,
    unassigned: bool = False,
    last: int | None = None,
) -> Selection:
    """What the options choose. Raises Usage when they contradict each other."""
    first = dates.since(since, "--since", options.zone)
    end = dates.until(until, "--until", options.zone)
    if first and end and first >= end:
        raise Usage(f"--since {since} is not before --until {until}; swap them")
    if person is not None and unassigned:
        raise Usage("a person's readings are never unassigned; leave out either PERSON or --unassigned")
    return Selection(person=person, cuff=cuff, since=first, until=end, last=last, unassigned=unassigned)


def person_of(argument: str | None, option: str | None) -> str | None:
    """Who is meant, by the argument or by the old option, which is told of it. Raises Usage for two people."""
    if option is None:
        return argument
    if argument is not None and folded(argument) != folded(option):
        raise Usage(f"{argument} and --person {option} are two people; name one, without --person")
    say(f"--person {option} is just {option} now; the old option goes on working")
    return option


def slot_of(text: str) -> Slot:
    """A slot as given on the command line: a User ID, 'none' for records without one, 'any'. Raises Usage."""
    if text in ("any", "none"):
        return "any" if text == "any" else None
    if text.isascii() and text.isdigit() and len(text) <= 3 and int(text) <= 255:
        return int(text)
    raise Usage(f"--slot {text!r} is not a slot; give 0 to 255, none or any")


def found_readings(store: Store, texts: Iterable[str], zone: tzinfo | None) -> list[Reading]:
    """The readings meant, each once: by an id, by how it begins, or by a time, of a minute all that a person has in it.

    Raises StoreError or Usage for a text that means none, and for a time that means more people's.
    """
    found = [reading for text in texts for reading in _found(store, text, zone)]
    return list({reading.reading_id: reading for reading in found}.values())


def _found(store: Store, text: str, zone: tzinfo | None) -> list[Reading]:
    if re.fullmatch(r"[0-9a-fA-F]{1,16}", text):
        return [readings.get(store, text)]
    since = dates.instant(text, "READING", zone)
    found = list(readings.select(store, Selection(since=since, until=since + timedelta(minutes=1))))
    if not found:
        raise Usage(f"no reading was taken at {text}; `quietcuff readings` shows times and ids")
    if len({reading.person for reading in found}) > 1:  # whoever names a minute thinks of one person
        whose = ", ".join(f"{reading.reading_id[:8]} ({reading.person or 'nobody'})" for reading in found)
        raise Usage(f"{text}: {len(found)} readings of different people are of that time: {whose}; name one by its id")
    return found


@contextmanager
def reading_store(options: GlobalOptions, *, central: bool = False) -> Iterator[Store]:
    """The store, for looking only: never makes one, never changes one. central: whether what all stations relayed will
    do as well; the plans come from there then, where the configuration has none."""
    if options.central and central:
        from collector.service.config.plans import supplemented
        from collector.share.relay.postgresql_reading import open_central

        with open_central(options.central) as elsewhere:
            options.config = supplemented(options.config, elsewhere.plans())
            yield elsewhere
        return
    with open_store(options.store_path, create=False, read_only=True) as store:
        finish_before_reading(store, options)
        yield store


@contextmanager
def made_store(options: GlobalOptions) -> Iterator[Store]:
    """The store, made where there is none; one into which nothing came then is not left behind."""
    path = options.store_path
    new = not path.exists()
    try:
        with open_store(path) as store:
            finish_and_tell(store, options)
            yield store
    finally:
        if new:
            remove_if_empty(path)


@contextmanager
def writing_store(options: GlobalOptions) -> Iterator[Store]:
    """The store, for a change; it must be there."""
    with open_store(options.store_path, create=False) as store:
        finish_and_tell(store, options)
        yield store
