"""`quietcuff loan`: lend cuffs out, take them back, see where they are."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from collector.cli.common import dates
from collector.cli.common.command import ATTENTION, DONE, Failure, GlobalOptions, Usage, new_app, options_of, say
from collector.cli.common.output import out_json, out_table
from collector.cli.common.own_listener import listening
from collector.cli.common.selection import reading_store, slot_of, writing_store
from collector.cli.common.terminal_screen import TerminalScreen, is_terminal
from collector.cli.readings import cuff_names
from collector.intake.owner import assign_cuff
from collector.service.guided.loan_return import LoanReturn
from collector.service.guided.loan_saving import save
from collector.service.listener_lock import listener
from collector.service.machine_clock import believed_now, set_by_network
from collector.share.text.layout import counted, natural
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.people import lending_stock, loans
from collector.store.people.loan_states import MARKS, State

app = new_app("""Lend cuffs out, and take them back with nothing left in them.

    A loan is a cuff and a borrower's code from one minute to another; what the cuff measured in between is the
    borrower's. A cuff is available again only when all was downloaded, saved, checked and cleared.

    \b
    Examples (invented codes):
      quietcuff loan out clinic-3 --to B-117
      quietcuff loan back --all
      quietcuff loan list
    """)

CuffName = Annotated[str, typer.Argument(metavar="CUFF", help="The cuff's name or address.")]


@app.command("out")
def lend(
    ctx: typer.Context,
    cuff: CuffName,
    to: Annotated[str, typer.Option("--to", metavar="CODE", help="The borrower's code; a name is not needed.")],
    slot: Annotated[
        list[str] | None,
        typer.Option("--slot", metavar="N", help="Only this User ID of the cuff; may be given several times."),
    ] = None,
) -> None:
    """Lend a cuff to a borrower.

    From now on what the cuff measures is kept under the borrower's code. A cuff that still holds, or may hold,
    somebody's readings is not lent: `loan back` first looks after it.

    \b
    Examples (invented codes):
      quietcuff loan out clinic-3 --to B-117
      quietcuff loan out clinic-3 --to B-117 --slot 1
    """
    options = options_of(ctx)
    with writing_store(options) as store:
        slots, now = tuple(map(slot_of, slot or ["any"])), believed_now(store)
        made = loans.lend(store, cuff, to, slots, now, set_by_network=set_by_network())
        before = store.readings_of(made.borrower_row or 0)
    say(f"{cuff} is lent to {made.borrower} since {made.out_at.astimezone(options.zone):%Y-%m-%d %H:%M}")
    if before:
        say(
            f"{made.borrower} has {counted(before, 'reading')} from before, and one report with them; if this is "
            "somebody else, take the cuff back and lend it to another code"
        )


@app.command("back")
def back(
    ctx: typer.Context,
    cuff: Annotated[list[str] | None, typer.Argument(metavar="CUFF…", help="Names or addresses.")] = None,
    every: Annotated[
        bool, typer.Option("--all", help="Every cuff of the stock that comes; a loan goes on until its cuff does.")
    ] = False,
    folder: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Where report and export go; else 'returns' beside the store.")
    ] = None,
    lent_at: Annotated[
        str | None,
        typer.Option("--lent-at", metavar="TIME", help="When it was lent, where the clock was wrong at that time."),
    ] = None,
) -> int:
    """Take cuffs back: download, save, check, one after the other.

    Waits until each cuff was switched on and sent all it holds, counts, compares its clock, sets apart what is not the
    borrower's, writes report and export and reads them back, and only then asks for the physical checks. A cuff is
    available when each is so. Interrupted at any step, the same command goes on from there. A cuff that was never lent
    is taken into the lending stock the same way. Exit code 3: not every cuff is available yet.

    \b
    Examples:
      quietcuff loan back clinic-3
      quietcuff loan back --all --folder returns
    """
    if not is_terminal():
        raise Usage("loan back asks questions and needs a terminal; run it in one")
    options = options_of(ctx)
    returns = folder or options.store_path.parent / "returns"
    with writing_store(options) as store:
        wanted = _wanted(store, cuff or [], every)
        now = believed_now(store)
        if lent_at is not None:
            if len(wanted) != 1:
                raise Usage("--lent-at is for one cuff; name it")
            loans.set_lent_at(store, wanted[0], dates.instant(lent_at, "--lent-at", options.zone), now)
            assign_cuff(store, cuffs.row_of(store, wanted[0]))
        names = cuff_names(store)
        with _somebody_listens(options), TerminalScreen() as screen:
            returning = LoanReturn(
                store=store,
                screen=screen,
                now=lambda: datetime.now(UTC),
                seconds=time.monotonic,
                save=lambda loan: save(store, options.config, loan, returns, names.get(loan.cuff, loan.cuff)),
                name=lambda address: names.get(address, address),
            )
            return DONE if returning.take_back(wanted, as_they_come=every) else ATTENTION


@app.command("list")
def show(
    ctx: typer.Context, as_json: Annotated[bool, typer.Option("--json", help="One JSON object a cuff.")] = False
) -> None:
    """Show the lending stock: which cuff is where, and what is left to do.

    \b
    Example:
      quietcuff loan list
    """
    options = options_of(ctx)
    with reading_store(options, central=True) as store:
        stock = sorted(lending_stock.stock(store), key=lambda one: (one.name is None, natural(one.name or one.cuff)))
    if as_json:
        for one in stock:
            loan = one.loan
            out_json(
                {
                    "cuff": one.cuff,
                    "name": one.name,
                    "state": str(one.state),
                    "since": one.since,
                    "reason": one.reason,
                    "borrower": loan and loan.borrower,
                    "out_at": loan and loan.out_at,
                    "back_at": loan and loan.back_at,
                    "step": loan and str(loan.step),
                }
            )
        return
    if not stock:
        say("no cuff is in the lending stock; `quietcuff loan back CUFF` takes one in")
        return
    rows = [
        (
            one.name or one.cuff,
            str(one.state),
            f"{one.since.astimezone(options.zone):%Y-%m-%d}",
            (one.loan and one.loan.borrower) or "",
            one.reason or "",
        )
        for one in stock
    ]
    out_table(rows, ("cuff", "state", "since", "borrower", "what is missing"))


@app.command("mark")
def mark(
    ctx: typer.Context,
    cuff: CuffName,
    state: Annotated[str, typer.Argument(metavar="STATE", help="quarantine, lost, 'check due', cleaning or retired.")],
    reason: Annotated[str | None, typer.Option(metavar="TEXT", help="Why.")] = None,
) -> None:
    """Take a cuff of the stock out of use, with a reason; also one that is on loan, and stays its borrower's.

    \b
    Example:
      quietcuff loan mark clinic-3 quarantine --reason "display cracked"
    """
    if state not in MARKS:
        raise Usage(f"{state}: take one of {', '.join(MARKS)}; a cuff becomes available by `loan back` alone")
    with writing_store(options_of(ctx)) as store:
        loans.mark(store, cuff, State(state), believed_now(store), reason)
    say(f"{cuff} is marked '{state}'")


def _wanted(store: Store, named: list[str], every: bool) -> list[str]:
    """The addresses of the cuffs to take back. Raises StoreError for one that is not known."""
    if every == bool(named):
        raise Usage("name the cuffs that are back, or add --all")
    if every:
        found = [one.cuff for one in lending_stock.stock(store) if lending_stock.is_awaited(one)]
        if not found:
            raise Failure("no cuff is on loan or on its way back; `quietcuff loan list` shows the stock")
        return found
    return list(dict.fromkeys(cuffs.need(store, name) for name in named))


@contextmanager
def _somebody_listens(options: GlobalOptions) -> Iterator[None]:
    """A listener on this store: the one that runs, else one for as long as this command lasts."""
    if listener(options.store_path) is not None:
        yield
        return
    say("Nothing collects readings here, so this command does so meanwhile.")
    words = ["--store", str(options.store_path)]
    if options.config_option:
        words += ["--config", str(options.config_option)]
    with listening([*words, "listen", "--log", "warning"]):
        yield
