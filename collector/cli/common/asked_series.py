"""What the commands that reckon with one person's readings share: whose, by which protocol, over which days."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Annotated

import typer

from collector.cli.common.command import GlobalOptions, Usage
from collector.cli.common.dates import day
from collector.numbers.protocols import UnknownProtocol
from collector.numbers.rules import Plan, Protocol
from collector.numbers.values import Sample
from collector.service.config.plans import in_force
from collector.share.samples import samples
from collector.store import people, readings
from collector.store.acceptable import typed_pressures
from collector.store.database import Store
from collector.store.values import Reading, Selection

Whose = Annotated[str, typer.Argument(metavar="PERSON", help="The person's name or code.")]
ProtocolName = Annotated[
    str | None,
    typer.Option(
        "--protocol", "-p", metavar="NAME", help="By which protocol (`quietcuff protocols`); else that of the plan."
    ),
]
FirstDay = Annotated[
    str | None, typer.Option("--since", metavar="DATE", help="First day; else the most recent series.")
]
LastDay = Annotated[str | None, typer.Option("--until", metavar="DATE", help="Last day, in whole.")]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON object.")]


@dataclass(frozen=True, slots=True)
class Asked:
    """Whose readings, by which rules. first, last: days, both included."""

    person: str  # as the store writes the name
    protocol: Protocol
    plan: Plan
    first: date | None
    last: date | None


def asked(
    options: GlobalOptions, store: Store, person: str, protocol: str | None, first: str | None, last: str | None
) -> Asked:
    """Raises StoreError for a person who is not there, Usage for the rest."""
    found = people.need(store, person)
    since, until = day(first, "--since"), day(last, "--until")
    if since and until and since > until:
        raise Usage(f"--since {since} is after --until {until}; swap them")
    try:
        rules, plan = in_force(options.config, found.name, protocol)
    except UnknownProtocol as unknown:
        raise Usage(str(unknown)) from None
    return Asked(person=found.name, protocol=rules, plan=plan, first=since, last=until)


def need_pressures(text: str, option: str) -> tuple[Decimal, Decimal]:
    """Systolic and diastolic, mmHg. Raises Usage, naming the option."""
    try:
        return typed_pressures(text)
    except ValueError as wrong:
        raise Usage(f"{option} {text!r} {wrong}") from None


def readings_of(store: Store, asked: Asked) -> list[Reading]:
    """The person's readings that can be of those days, in whatever zone; nobody else's are looked at."""

    def midnight(of: date, days: int) -> datetime:
        return datetime.combine(of, time(), UTC) + timedelta(days)

    since = midnight(asked.first, -1) if asked.first and asked.first > date.min + timedelta(1) else None
    until = midnight(asked.last, 3) if asked.last and asked.last < date.max - timedelta(3) else None
    return list(readings.select(store, Selection(person=asked.person, since=since, until=until)))


def samples_of(store: Store, asked: Asked) -> list[Sample]:
    """The same readings as the numbers take them."""
    return list(samples(readings_of(store, asked)))
