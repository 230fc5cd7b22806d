"""`quietcuff cuff …`: the cuffs that were met."""

import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Annotated

import typer

from collector.cli.common.command import Usage, new_app, options_of, say
from collector.cli.common.dates import minute
from collector.cli.common.output import out_json, out_table
from collector.cli.common.selection import reading_store, writing_store
from collector.share.text.cuff_text import is_address, manner_text, name_problem, never_delivered, remarks, six_digits
from collector.share.text.layout import counted, natural
from collector.store.database import Store
from collector.store.journal import cuffs, manners, pairing, payloads
from collector.store.journal.cuffs import Cuff
from collector.store.readings import renewed_bonds

app = new_app("""List, name, add or forget cuffs.

    \b
    Examples (invented cuffs):
      quietcuff cuff list
      quietcuff cuff name C0:FF:EE:00:00:01 kitchen
      quietcuff cuff add --for 10
      quietcuff cuff forget kitchen
    """)

MOST_MINUTES = int(cuffs.LONGEST_WAIT.total_seconds()) // 60

Which = Annotated[str, typer.Argument(metavar="CUFF", help="The cuff's name or address.")]


@app.command("list")
def list_cuffs(
    ctx: typer.Context,
    forgotten: Annotated[bool, typer.Option("--forgotten", help="The forgotten ones too.")] = False,
    verbose: Annotated[bool, typer.Option("-v", "--verbose", help="Also how each wants to be visited.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a cuff.")] = False,
) -> None:
    """List the cuffs that were met.

    \b
    Example:
      quietcuff cuff list --json
    """
    options = options_of(ctx)
    with reading_store(options) as store:
        found = sorted(cuffs.every(store, forgotten), key=lambda cuff: (cuff.name is None, natural(cuff.name or "")))
        learned = {cuff.address: [manner_text(one) for one in manners.of(store, cuff.address)] for cuff in found}
        silent = {cuff.address: never_delivered(store, cuff.address) for cuff in found}
    if as_json:
        for cuff in found:
            out_json(
                {
                    "cuff": cuff.address,
                    "name": cuff.name,
                    "advertised": cuff.advertised,
                    "bonded": cuff.bonded,
                    "bond_missing_on": cuff.bond_missing_on,
                    "bond_renewed": cuff.bond_renewed,
                    "forgotten": cuff.forgotten,
                    "readings": cuff.readings,
                    "last_visit": cuff.last_visit,
                    "never_delivered": (silent[cuff.address] or (None,))[0],
                    "manners": learned[cuff.address],
                }
            )
        return
    if not found:
        say("no cuff has come yet; `quietcuff listen` collects from every cuff in reach")
        return

    heading = ("name", "address", "readings", "last visit", "remarks")
    rows = [_row(cuff, options.zone, silent[cuff.address], learned[cuff.address] if verbose else []) for cuff in found]
    out_table(rows, heading, frozenset({2}))


def _row(cuff: Cuff, zone: tzinfo | None, silent: tuple[str, str] | None, learned: list[str]) -> tuple[str, ...]:
    last = minute(cuff.last_visit, zone) if cuff.last_visit else "never"
    told = [*remarks(cuff), *(silent[:1] if silent else ()), *learned]
    return cuff.name or "-", cuff.address, str(cuff.readings), last, "; ".join(told)


@app.command("reset-manners")
def reset_manners(ctx: typer.Context, cuff: Which) -> None:
    """Forget how a cuff wants to be visited: its next visit is like its first.

    What it hung up at, or did not answer, is asked again. `cuff list -v` shows what was learned.

    \b
    Example:
      quietcuff cuff reset-manners kitchen
    """
    with writing_store(options_of(ctx)) as store:
        count = manners.reset(store, cuff, datetime.now(UTC))
    say(f"{cuff}: {counted(count, 'manner')} forgotten; its next visit is like its first")


@app.command("confirm")
def confirm_bond(ctx: typer.Context, cuff: Which) -> None:
    """Say that a bond made anew is that of your cuff.

    A cuff loses its bond with its batteries, or to a phone. Another one that bears its address could do the same,
    so what came since is marked 'bond renewed', and where only known cuffs are welcome it counts in no average.
    Look at those readings first (`quietcuff readings --cuff CUFF`); from then on they count, and so does what comes.

    \b
    Example:
      quietcuff cuff confirm kitchen
    """
    with writing_store(options_of(ctx)) as store:
        count = renewed_bonds.confirm(store, cuff, datetime.now(UTC))
    say(f"{cuff}: its new bond is confirmed; {counted(count, 'reading')} marked for it no longer")


@app.command("name")
def name_cuff(
    ctx: typer.Context,
    cuff: Which,
    name: Annotated[str, typer.Argument(metavar="NAME", help="What to call it; '' takes its name away.")],
) -> None:
    """Give a cuff a name of your own.

    \b
    Example:
      quietcuff cuff name C0:FF:EE:00:00:01 kitchen
    """
    name = name.strip()
    if problem := name_problem(name):
        raise Usage(problem)
    with writing_store(options_of(ctx)) as store:
        cuffs.name(store, cuff, name or None, datetime.now(UTC))
    say(f"{cuff} is now called {name}" if name else f"{cuff} has no name now")


@app.command("add")
def add_cuff(
    ctx: typer.Context,
    cuff: Annotated[
        str | None,
        typer.Argument(metavar="[CUFF]", help="The cuff's address, or the name it calls itself, if you know one."),
    ] = None,
    minutes: Annotated[
        int, typer.Option("--for", metavar="MINUTES", min=1, max=MOST_MINUTES, help="How long to take in new cuffs.")
    ] = 5,
) -> None:
    """Take in a new or a forgotten cuff.

    New ones need it where only known cuffs are visited (accept = "known" under [radio]). Without CUFF,
    whichever new cuff speaks in the next minutes is taken in: let it pair and measure once, or press its
    memory button. A cuff that does not say over Bluetooth what it is has to be added by its address, or by the
    name it calls itself. With either, at a terminal, the command stays and asks for the digits that the cuff
    shows where it wants them for pairing, also for a service that runs elsewhere on this machine.

    \b
    Examples:
      quietcuff cuff add --for 10
      quietcuff cuff add C0:FF:EE:00:00:01
      quietcuff cuff add 'Practice cuff'
    """
    now = datetime.now(UTC)
    until = now + timedelta(minutes=minutes)
    if cuff is not None and not is_address(cuff) and (":" in cuff or not cuff.strip() or name_problem(cuff)):
        raise Usage(f"{cuff!r} is neither an address such as C0:FF:EE:00:00:01 nor the name of a cuff")
    with writing_store(options_of(ctx)) as store:
        cuffs.open_window(store, until, now)
        if cuff is None:
            say(f"new cuffs are taken in for {counted(minutes, 'minute')}")
            return
        address = cuff.upper() if is_address(cuff) else None
        place, newest = address or pairing.ANY, payloads.newest(store)
        attended = sys.stdin.isatty()
        if attended:
            pairing.wait(store, place, until)  # first: its visit may begin at once
        if address is not None:
            cuffs.remember(store, address, now)
            say(f"{address} is visited from now on")
        else:
            cuffs.await_name(store, cuff, until)
            span = counted(minutes, "minute")
            say(f"a cuff that calls itself '{cuff}' is visited from now on, if it comes within {span}")
        if attended:
            _answer_questions(store, place, until, lambda: cuffs.delivered(store, address or cuff, newest))


def _answer_questions(store: Store, place: str, until: datetime, delivered: Callable[[], str | None]) -> None:
    """Answer what the service wants to know of a display there, until the cuff has delivered or time is up."""
    say("measure once, or press its Bluetooth button; digits that it shows are asked for here (Ctrl-C ends this)")
    asked = {place}
    try:
        while (now := datetime.now(UTC)) < until:
            for address, question in pairing.questions(store, now).items():
                if place in (address, pairing.ANY):
                    asked.add(address)
                    pairing.give(store, address, _answer(address, question))
            if came := delivered():
                say(f"{came} has delivered")
                return
            time.sleep(0.3)
        say("it did not come, or sent nothing, in this time; `quietcuff check` says more")
    finally:
        pairing.leave(store, *asked)


def _answer(address: str, question: pairing.Question) -> int:
    if question.number is not None:
        return int(typer.confirm(f"does {address} show {question.number:06d}?", err=True))
    while True:
        digits = six_digits(typer.prompt(f"the six digits on the display of {address}", err=True))
        if digits is not None:
            return digits
        say("it shows six digits: type all of them, zeros in front too")


@app.command("forget")
def forget_cuff(ctx: typer.Context, cuff: Which) -> None:
    """Visit a cuff no more; its readings stay.

    \b
    Example:
      quietcuff cuff forget kitchen
    """
    with writing_store(options_of(ctx)) as store:
        address = cuffs.need(store, cuff)
        cuffs.forget(store, address, datetime.now(UTC))
    say(
        f"{cuff} is forgotten; its readings stay. `quietcuff cuff add {address}` takes it in again. The "
        f"system's own bond stays until `bluetoothctl remove {address}`"
    )
