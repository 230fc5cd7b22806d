"""`quietcuff sit`: through one sitting at the terminal, with readings arriving live from the listener."""

import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from collector.cli.common.asked_series import ProtocolName, Whose, asked
from collector.cli.common.command import ATTENTION, DONE, Failure, new_app, options_of, tell
from collector.cli.common.selection import writing_store
from collector.cli.common.terminal_screen import TerminalScreen, is_terminal
from collector.intake import giving
from collector.service.guided.sitting import Guide, SittingProgress, request_of
from collector.service.listener_lock import listener
from collector.store import people
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.people import sittings
from collector.store.readings.arrived import NewReadings
from collector.store.values import Reading

app = new_app()


@app.command()
def sit(
    ctx: typer.Context,
    person: Whose,
    protocol: ProtocolName = None,
    rest: Annotated[
        float, typer.Option(metavar="MINUTES", min=0, max=30, help="How long to rest before the first reading.")
    ] = 5,
) -> int:
    """Be guided through a sitting: make ready, rest, measure, wait, measure again.

    A listener has to run on the same store; each reading shows here as it arrives. y and n answer, Enter shortens a
    wait, q or Ctrl-C leaves: what was measured stays. What you confirmed is kept with the sitting and shows in the
    report. Exit code 3: you left early, too few readings count, or the pressure stayed very high.

    \b
    Examples (invented people):
      quietcuff sit mira
      quietcuff --store practice.db listen --radio virtual    # for trying out, in a window of its own
      quietcuff --store practice.db sit mira
    """
    options = options_of(ctx)
    if not is_terminal():
        raise Failure("sit needs a terminal, for keys and for counting down; run it in a window, not in a pipe")
    with writing_store(options) as store:
        wanted = asked(options, store, people.need_alone(store, person).name, protocol, None, None)
        if listener(store.path) is None:
            raise Failure(_nobody_listens(store.path))
        with TerminalScreen() as screen:
            source = StoreSource(store, wanted.person)
            emergency = options.config.station.emergency_number
            wall = datetime.now(options.zone)
            request = request_of(wanted.person, wanted.protocol, wanted.plan, wall, rest * 60, emergency)
            sitting = Guide(request, screen, RealClock(), source).run()
        if source.claimed:
            tell(
                [
                    f"To make the cuff's readings {wanted.person}'s from now on: "
                    f"`quietcuff person give {quote(wanted.person)} --cuff {source.claimed}`"
                ]
            )
    return _exit_code(sitting)


def _exit_code(sitting: SittingProgress) -> int:
    return DONE if sitting.enough and not (sitting.left or sitting.still_very_high) else ATTENTION


def _nobody_listens(path: Path) -> str:
    return (
        f"nothing collects readings into {path}, so no reading can arrive. In another window start `quietcuff "
        f"--store {path} "
        "listen`, or, for trying out, the same with `--radio virtual`, which measures every minute. Then sit again"
    )


class RealClock:
    def now(self) -> datetime:
        return datetime.now(UTC)

    def seconds(self) -> float:
        return time.monotonic()


class StoreSource:
    """The `Source` of a guided sitting over an open store. claimed: a cuff of which one was claimed."""

    def __init__(self, store: Store, person: str) -> None:
        self.store, self.person = store, person
        self.arrivals = NewReadings(store)
        self.claimed: str | None = None

    def new(self) -> list[Reading]:
        return self.arrivals.new()

    def listening(self) -> bool:
        return listener(self.store.path) is not None

    def claim(self, reading: Reading) -> None:
        giving.give(self.store, reading.reading_id, self.person, datetime.now(UTC))
        names = {cuff.address: cuff.name for cuff in cuffs.every(self.store) if cuff.name}
        slot = "" if reading.slot is None else f" --slot {reading.slot}"
        self.claimed = f"{quote(names.get(reading.cuff) or reading.cuff)}{slot}"

    def keep(self, started_at: datetime, prepared: Sequence[str], reading_ids: Sequence[str]) -> None:
        sittings.keep(self.store, self.person, started_at, prepared, reading_ids, datetime.now(UTC))
