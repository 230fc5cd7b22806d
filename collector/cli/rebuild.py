"""`quietcuff rebuild`: all readings anew from the journal."""

from datetime import UTC, datetime

import typer

from collector.cli.common.command import new_app, options_of, progress, say
from collector.cli.common.selection import writing_store
from collector.intake.pipeline import rebuild as derive_all
from collector.service.config import zone_of
from collector.service.jobs import retention
from collector.share.text.layout import counted
from collector.store import journal
from collector.store.journal import stations

app = new_app()


@app.command()
def rebuild(ctx: typer.Context) -> None:
    """Derive all readings again from the journal.

    The journal holds every payload as it came, and readings follow from it. After an update that reads payloads
    better, this brings the older readings along. Each cuff is done whole or not at all; stopped in between, say it
    again.

    \b
    Example:
      quietcuff rebuild
    """
    options = options_of(ctx)
    with writing_store(options) as store:
        stations.set_zone(store, zone_of(options.config), datetime.now(UTC))
        with progress("payloads taken up") as show:
            readings = derive_all(store, show)
        counts, gone = journal.counts(store), retention.gone(store)
    say(
        f"{counted(readings, 'reading')} from {counted(counts.payloads, 'payload')}; {counts.repeats} came again, "
        f"{counts.undecodable} could not be decoded"
    )
    if gone:
        say(retention.gone_words(gone))
