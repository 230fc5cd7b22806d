"""`quietcuff demo`: the whole path with an invented household, no hardware."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from collector.cli.common.command import Failure, GlobalOptions, new_app, options_of, say, tell
from collector.cli.common.output import out_lines, terminal_width
from collector.cli.common.own_listener import listening
from collector.cli.page import base_address, need_extra
from collector.cli.readings import show
from collector.numbers import words
from collector.service import demo as household
from collector.service.config import usual_store
from collector.service.guided.loan_saving import report_of
from collector.service.listen import log as lines
from collector.service.listener_lock import listener
from collector.share.private_file import private_file
from collector.share.report import render_html
from collector.share.text.average_text import average_lines
from collector.store import readings
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.journal.cuffs import Cuff
from collector.store.opening import open_store
from collector.store.people import page_devices

app = new_app()


@app.command()
def demo(
    ctx: typer.Context,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Show the collector's log as well.")] = False,
    page: Annotated[
        bool, typer.Option("--page", help="Then open the station's page on it, with a practice cuff that measures.")
    ] = False,
) -> None:
    """Try everything with two virtual cuffs and an invented household.

    The people, cuffs and values are invented. The collector is the real one: it talks to the virtual cuffs over a
    Bluetooth link inside this process, with pairing, encryption and all. Every run starts with an empty store.

    \b
    Example:
      quietcuff demo
      quietcuff demo --page
      quietcuff --store demo.db demo
    """
    try:
        import bumble
    except ModuleNotFoundError:
        raise Failure(
            "the demo needs the virtual radio, which is not installed: pip install 'quietcuff[virtual]'"
        ) from None
    del bumble

    options = options_of(ctx)
    path = options.store_option or usual_store().parent / "demo" / "quietcuff-demo.db"
    _clear_away(path)
    lines.set_up("info" if verbose else "error")
    say("An invented household with two virtual cuffs; none of this is anybody's. Collecting:")
    collected = asyncio.run(household.run(path, options.config, say))
    with open_store(path, create=False, read_only=True) as store:
        show(store, readings.select(store), options.config.station.emergency_number)
    say(
        f"{collected.sent} records confirmed to the cuffs, {collected.payloads} payloads in the journal; "
        f"{collected.repeats} came again; {collected.readings} readings, each once."
    )
    if page:
        _open_page(path, options)
        return
    with open_store(path, create=False, read_only=True) as store:
        data = report_of(store, options.config, household.PERSON)
    say(f"The week of {household.PERSON}, whose slot it is:")
    out_lines(average_lines(data.average, household.PERSON, terminal_width()))
    sheet = path.with_name(f"{household.PERSON}.html")
    with private_file(sheet, binary=True) as file:
        file.write(render_html(data).encode())
    tell((words.caution(),))
    say(f"The page for the chart is {sheet}. The store is {path}. Try:")
    for command in (f"average {household.PERSON}", "readings --last 5", "export --to csv", "cuff list"):
        say(f"  quietcuff --store {path} {command}")


def _open_page(path: Path, options: GlobalOptions) -> None:
    """The page on the invented household, with a listener whose practice cuff measures every minute."""
    need_extra()
    from collector.page.start import start

    with open_store(path, create=False) as store:
        link = page_devices.invite(store, household.PERSON, page_devices.Role.KEEPER, datetime.now(UTC))
    with listening(["--store", str(path), "listen", "--radio", "virtual", "--log", "error"]):
        say(f"Open {base_address(options.config.page)}/in/{link} in a browser on this machine. Ctrl-C ends it.")
        start(path, options.config, say)


def _clear_away(path: Path) -> None:
    """A demo starts empty; but only a store that a demo made is ever taken away."""
    if not path.exists():
        return
    if listener(path) is not None:
        raise Failure(f"{path}: a listener works on this store; stop it, or name another file with --store")
    with open_store(path, create=False, read_only=True) as store:
        strangers = {cuff.address for cuff in _cuffs(store)} - household.CUFFS
    if strangers:
        raise Failure(f"{path}: holds readings that no demo made; name another file with --store")
    for suffix in ("", "-wal", "-shm", ".lock"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _cuffs(store: Store) -> list[Cuff]:
    return cuffs.every(store)
