"""What belongs to whom: slots given, ended and taken back; single readings claimed and released."""

from datetime import UTC, datetime
from shlex import quote
from typing import Annotated

import typer

from collector.cli.common import dates
from collector.cli.common.command import Failure, Usage, options_of, say
from collector.cli.common.selection import found_readings, slot_of, writing_store
from collector.intake import giving
from collector.intake.owner import assign_cuff
from collector.service.machine_clock import believed_now
from collector.share.text.layout import counted
from collector.share.text.reading_text import pressures_text
from collector.store import people, readings
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.people import slot_spans
from collector.store.people.slot_spans import Slot, Span
from collector.store.values import Selection

PersonName = Annotated[str, typer.Argument(metavar="PERSON", help="The person's name or code.")]
CuffOption = Annotated[str, typer.Option("--cuff", metavar="CUFF", help="The cuff's name or address.")]
SlotOption = Annotated[
    str, typer.Option("--slot", metavar="N", help="The User ID the cuff sends; none: records without one; any: all.")
]
ReadingIds = Annotated[
    list[str],
    typer.Argument(
        metavar="READING…", help="By id, or how it begins, or by time (2031-03-04T07:30): all of that minute."
    ),
]


def give_slot(
    ctx: typer.Context,
    name: PersonName,
    cuff: CuffOption,
    slot: Annotated[
        str | None,
        typer.Option("--slot", metavar="N", help="The User ID the cuff sends; none: records without one; any: all."),
    ] = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="TIME", help="From when on; from the beginning if not given.")
    ] = None,
    until: Annotated[
        str | None, typer.Option(metavar="TIME", help="Until before then, a date in whole; else until further notice.")
    ] = None,
) -> None:
    """Give a cuff's slot to a person, for a time or for good.

    Readings in that slot and time become theirs, the ones already stored too. A reading whose time is too
    unsure to tell stays nobody's, marked 'owner unsure', until it is claimed.

    \b
    Examples:
      quietcuff person give mira --cuff kitchen --slot 1
      quietcuff person give guest --cuff kitchen --slot 2 --since 2031-03-04 --until 2031-03-10
    """
    options = options_of(ctx)
    first, end = dates.since(since, "--since", options.zone), dates.until(until, "--until", options.zone)
    with writing_store(options) as store:
        with store.transaction():
            wanted = slot_of(slot) if slot is not None else _only_slot(store, cuff)
            slot_spans.add(store, name, cuff, wanted, datetime.now(UTC), since=first, until=end)
            _assign(store, cuffs.need(store, cuff))
        _say_readings(store, name)


def _only_slot(store: Store, cuff: str) -> Slot:
    """Any, where the cuff uses no more than one. Raises Usage, with a sample of each, where two people may be meant."""
    used = readings.newest_by_slot(store, cuffs.need(store, cuff))
    if len(used) < 2:
        return "any"
    shown = []
    for one in used:
        slot = "none" if one.slot is None else one.slot
        value = pressures_text(one.systolic, one.diastolic, None)
        shown.append(f"{slot} (newest {value} of {one.taken_at:%Y-%m-%d %H:%M})")
    slots = "; ".join(shown)
    raise Usage(f"{cuff} has {len(used)} slots in use: {slots}; add --slot N, or --slot any if all are one person's")


def end_slot(
    ctx: typer.Context,
    name: PersonName,
    cuff: CuffOption,
    slot: SlotOption = "any",
    at: Annotated[
        str | None, typer.Option("--at", metavar="TIME", help="From when on it is theirs no longer; now if not given.")
    ] = None,
) -> None:
    """End a slot: what came before stays theirs.

    \b
    Example:
      quietcuff person end guest --cuff kitchen --slot 2 --at 2031-03-10
    """
    options, now = options_of(ctx), datetime.now(UTC)
    with writing_store(options) as store:
        with store.transaction():
            span = _held(store, name, cuff, slot)
            until = believed_now(store) if at is None else dates.instant(at, "--at", options.zone)
            slot_spans.end(store, span.row, until, now)
            _assign(store, span.cuff)
        _say_readings(store, name)


def take_back(ctx: typer.Context, name: PersonName, cuff: CuffOption, slot: SlotOption = "any") -> None:
    """Take back a slot given by mistake, as if never given.

    \b
    Example:
      quietcuff person take-back guest --cuff kitchen --slot 2
    """
    with writing_store(options_of(ctx)) as store:
        with store.transaction():
            span = _held(store, name, cuff, slot)
            slot_spans.remove(store, span.row, datetime.now(UTC))
            _assign(store, span.cuff)
        _say_readings(store, name)


def claim_readings(ctx: typer.Context, name: PersonName, readings: ReadingIds) -> None:
    """Give single readings to a person.

    Whatever their slot says, and for good.

    \b
    Example:
      quietcuff person claim mira 3f9a 77c0
      quietcuff person claim mira 2031-03-04T07:30
    """
    options = options_of(ctx)
    with writing_store(options) as store:
        with store.transaction():
            for reading in found_readings(store, readings, options.zone):
                giving.give(store, reading.reading_id, name, datetime.now(UTC))
        _say_readings(store, name)


def release_readings(
    ctx: typer.Context,
    readings: ReadingIds,
    by_slot: Annotated[
        bool, typer.Option("--by-slot", help="Let the slot decide again, instead of making them nobody's.")
    ] = False,
) -> None:
    """Make single readings nobody's, or the slot's again.

    \b
    Example:
      quietcuff person release 3f9a --by-slot
    """
    options = options_of(ctx)
    with writing_store(options) as store, store.transaction():
        found = found_readings(store, readings, options.zone)
        for reading in found:
            (giving.leave_to_slot if by_slot else giving.make_nobodys)(store, reading.reading_id, datetime.now(UTC))
    count = counted(len(found), "reading")
    say(f"{count}: the slot decides again" if by_slot else f"{count} made nobody's")


def _held(store: Store, name: str, cuff: str, slot: str) -> Span:
    """The newest hold of the person on the slot. Raises Usage for none, and Failure for that of a loan."""
    person, address, wanted = people.need(store, name), cuffs.need(store, cuff), slot_of(slot)
    found = [span for span in slot_spans.every(store, cuff=address, person=person.row) if span.slot == wanted]
    if not found:
        raise Usage(f"slot {slot} of {cuff} is not {name}'s; `quietcuff person list` shows whose is what")
    if found[-1].strict and found[-1].until is None:
        raise Failure(f"{cuff} is lent to {name}: `quietcuff loan back {quote(cuff)}` ends that")
    return found[-1]


def _assign(store: Store, address: str) -> None:
    assign_cuff(store, cuffs.row_of(store, address))


def _say_readings(store: Store, name: str) -> None:
    say(f"{name} has {counted(readings.count(store, Selection(person=name)), 'reading')} now")
