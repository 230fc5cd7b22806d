"""`quietcuff protocols`: the published ways of measuring at home that averages follow, with their sources."""

from collections.abc import Iterator
from typing import Annotated

import typer

from collector.cli.common.command import Usage, new_app, options_of, out, say
from collector.cli.common.output import out_json, out_table, terminal_width
from collector.numbers.json_fields import protocol_fields
from collector.numbers.protocols import PROTOCOLS, USUAL, UnknownProtocol, protocol
from collector.numbers.rules import AF_PER_SESSION, Protocol
from collector.share.text.layout import counted, fits, wrapped

app = new_app()


@app.command()
def protocols(
    ctx: typer.Context,
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="One protocol, with all it says.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a protocol.")] = False,
) -> None:
    """Show the protocols that averages follow, and where they come from.

    With a name: everything one of them says, its source, and what of it could not be read in the source and stands
    from memory. A clinic's own protocols come from [protocols.NAME] in the configuration.

    \b
    Examples:
      quietcuff protocols
      quietcuff protocols nice-ng136
      quietcuff protocols --json
    """

    own = options_of(ctx).config.protocols
    try:
        chosen = [protocol(name, own)] if name else list({**PROTOCOLS, **own}.values())
    except UnknownProtocol as unknown:
        raise Usage(str(unknown)) from None
    if as_json:
        for one in chosen:
            out_json(protocol_fields(one))
        return
    width = terminal_width()
    if name:
        out_table(_facts(chosen[0]))
        return
    rows = [row for one in chosen for row in _rows(one)]
    if fits([HEADING, *rows], width, 40):
        out_table(rows, HEADING)
    else:
        for name, high, days, text in rows:
            if name:
                out(f"{name}: high from {high}, days {days}")
            for line in wrapped(text, (width or 40) - 2):
                out(f"  {line}")
    say(f"{USUAL} is used where neither you nor a person's plan names one; `quietcuff protocols NAME` tells all of it")


HEADING = ("name", "high from", "days", "who, which edition, through what it was read")


def _rows(one: Protocol) -> Iterator[tuple[str, ...]]:
    yield one.name, str(one.threshold), _days(one), f"{one.title}, {one.edition}"
    yield "", "", "", f"source: {one.source}"
    if one.from_memory:
        yield "", "", "", f"from memory: {_names(one.from_memory)}"


AVERAGED = {
    "pooled": "all readings together",
    "sessions": "the mean of the morning and the evening mean",
    "separate": "morning and evening apart",
}


def _facts(one: Protocol) -> Iterator[tuple[str, str]]:
    yield "name", one.name
    yield "who", f"{one.title}, {one.edition}"
    yield "source", one.source
    yield "high", f"from {one.threshold} mmHg, in either value of the mean"
    if one.second_threshold:
        named = f", {one.second_class}" if one.second_class else ""
        yield "second class", f"from {one.second_threshold} mmHg{named}"
    yield "goal", _goal(one)
    if one.target_for_age:
        yield "", f"from age {one.target_for_age.age} (`born` in the plan): below {one.target_for_age.target} mmHg"
    yield "days", _days(one)
    yield "a session", _session(one)
    yield "when", one.when
    yield "left out", "; ".join(_left_out(one)) or "nothing by rule"
    if least := "; ".join(_least(one)):
        yield "at least", least
    yield "averaged", AVERAGED[one.averaging]
    yield "hours", f"morning {one.handling.morning}, evening {one.handling.evening}; {_outside(one)}"
    for note in one.notes:
        yield "note", note
    yield "from memory", _names(one.from_memory) or "nothing"
    yield "our choice", _names(one.our_choice | {"hours", "sittings", "flags"})


def _goal(one: Protocol) -> str:
    goal = f"below {one.target} mmHg" if one.target else "none in this protocol"
    return f"{goal}; {one.target_note}" if one.target_note else goal


def _days(one: Protocol) -> str:
    days = f"{one.min_days}" if one.min_days == one.preferred_days else f"{one.min_days} to {one.preferred_days}"
    return f"{days} in a row" if one.consecutive_days else days


def _session(one: Protocol) -> str:
    more = f"; {max(one.per_session, one.af_per_session or AF_PER_SESSION)} with atrial fibrillation"
    readings = counted(one.per_session, "reading")
    return f"{readings}, {one.gap_s} s apart, morning and evening{more}"


def _left_out(one: Protocol) -> Iterator[str]:
    yield from (f"day {number}" for number in one.drop_days)
    if one.drop_first_of_session:
        alone = ", unless it is alone" if one.keep_first_if_alone else ""
        yield f"the first reading of each session{alone}"
    if one.handling.exclude_flags:
        yield f"flagged: {', '.join(sorted(one.handling.exclude_flags))}"


def _least(one: Protocol) -> Iterator[str]:
    if one.min_readings is not None:
        yield f"{one.min_readings} readings"
    if one.min_readings_used is not None:
        yield f"{one.min_readings_used} readings after all is left out"


def _outside(one: Protocol) -> str:
    return (
        "other hours do not count" if one.handling.outside == "exclude" else "other hours count for the nearer session"
    )


def _names(fields: frozenset[str]) -> str:
    return ", ".join(name.replace("_", " ") for name in sorted(fields))
