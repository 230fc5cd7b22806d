"""`quietcuff person …`: who is measured, and what is theirs."""

from collections import defaultdict
from datetime import UTC, datetime, tzinfo
from shlex import quote
from typing import Annotated

import typer

from collector.cli import person_ownership
from collector.cli.common.command import MANY, new_app, options_of, say
from collector.cli.common.dates import minute
from collector.cli.common.output import out_json, out_table
from collector.cli.common.selection import made_store, reading_store, writing_store
from collector.cli.person_erase import erase
from collector.cli.person_ownership import PersonName
from collector.cli.person_unite import unite
from collector.cli.readings import cuff_names
from collector.share.text.layout import natural
from collector.store import audit, people, readings
from collector.store.people import slot_spans
from collector.store.people.slot_spans import Span

app = new_app("""Say who is measured, and which slots and readings are whose.

    A cuff numbers its users: a slot. Give slots to people, and their readings follow, past and future; single
    readings can be claimed. What is nobody's shows under `quietcuff readings --unassigned`.

    \b
    Examples (invented people):
      quietcuff person add mira
      quietcuff person give mira --cuff kitchen --slot 1
      quietcuff person claim mira 3f9a
    """)


@app.command("list")
def list_people(
    ctx: typer.Context, as_json: Annotated[bool, typer.Option("--json", help="One JSON object a person.")] = False
) -> None:
    """List the people, their slots and readings.

    \b
    Example:
      quietcuff person list
    """
    options = options_of(ctx)
    with reading_store(options, central=True) as store:
        everybody = sorted(people.every(store), key=lambda person: natural(person.name))
        held: dict[int, list[Span]] = defaultdict(list)
        for span in slot_spans.every(store):
            held[span.person_row].append(span)
        names = cuff_names(store)
        nobodys = readings.unassigned(store)
    if as_json:
        for person in everybody:
            out_json(
                {
                    "person": person.name,
                    "readings": person.readings,
                    "slots": [
                        {"cuff": span.cuff, "slot": span.slot, "from": span.since, "until": span.until}
                        for span in held[person.row]
                    ],
                }
            )
        return
    rows = [
        (
            person.name,
            str(person.readings),
            "; ".join(_span_words(span, names, options.zone) for span in held[person.row]) or "no slot",
        )
        for person in everybody
    ]
    if rows:
        out_table(rows, ("person", "readings", "slots"), frozenset({1}))
    else:
        say("nobody is in this store yet; `quietcuff person add NAME` adds somebody")
    if nobodys:
        say(f"{nobodys} reading{' is' if nobodys == 1 else 's are'} nobody's yet: `quietcuff readings --unassigned`")


@app.command("add")
def add_person(ctx: typer.Context, name: PersonName) -> None:
    """Add a person, by a name or a code.

    \b
    Example:
      quietcuff person add mira
    """
    with made_store(options_of(ctx)) as store:
        added = people.add(store, name, datetime.now(UTC)).name
    say(f"{added} is added; `quietcuff person give {quote(added)} --cuff CUFF --slot N` says what is theirs")


@app.command("rename")
def rename_person(
    ctx: typer.Context, name: PersonName, to: Annotated[str, typer.Argument(metavar="NAME", help="The new name.")]
) -> None:
    """Rename a person; everything stays theirs.

    \b
    Example:
      quietcuff person rename mira m1
    """
    with writing_store(options_of(ctx)) as store:
        people.rename(store, name, to, datetime.now(UTC))
    say(f"{name} is now called {to.strip()}")


app.command("give")(person_ownership.give_slot)
app.command("end")(person_ownership.end_slot)
app.command("take-back")(person_ownership.take_back)
app.command("claim")(person_ownership.claim_readings)
app.command("release")(person_ownership.release_readings)
app.command("unite")(unite)
app.command("erase")(erase)


@app.command("history")
def history(
    ctx: typer.Context,
    last: Annotated[int, typer.Option("--last", "-n", metavar="N", min=1, max=MANY, help="The newest N.")] = 20,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a change.")] = False,
) -> None:
    """Show who was given what, newest first.

    \b
    Example:
      quietcuff person history --last 5
    """
    options = options_of(ctx)
    with reading_store(options) as store:
        found = list(audit.changes(store, last))
    if as_json:
        for change in found:
            out_json({"at": change.at, "what": change.what, "person": change.person, "detail": change.detail})
        return
    rows = [
        (
            minute(change.at, options.zone),
            change.what,
            ", ".join(f"{name} {value}" for name, value in change.detail.items() if value),
        )
        for change in found
    ]
    if not rows:
        say("nothing was given or taken yet")
        return
    out_table(rows, ("at", "what", "detail"))


def _span_words(span: Span, names: dict[str, str], zone: tzinfo | None) -> str:
    slot = "no number" if span.slot is None else "any slot" if span.slot == "any" else f"slot {span.slot}"
    times = [
        f"{word} {minute(at, zone)}" for word, at in (("from", span.since), ("until", span.until)) if at is not None
    ]
    return " ".join([names.get(span.cuff, span.cuff), slot, *times])
