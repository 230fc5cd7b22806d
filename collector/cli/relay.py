"""`quietcuff relay …`: send readings on to other systems."""

from datetime import UTC, datetime
from functools import partial
from typing import Annotated

import typer

from collector.cli.common.command import (
    ATTENTION,
    COULD_NOT,
    DONE,
    Failure,
    GlobalOptions,
    new_app,
    options_of,
    out,
    say,
)
from collector.cli.common.output import out_json
from collector.cli.common.selection import reading_store, writing_store
from collector.service.jobs.relaying import receivers_of, start_sending, words
from collector.share.relay import sending
from collector.share.relay.postgresql_schema import SCHEMA
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import Sent, plan
from collector.share.text.layout import visible
from collector.store import outbox, receivers

app = new_app("""Send readings on: to a FHIR server, to PostgreSQL, over MQTT.

    The service does so by itself, every minute, to each receiver in the configuration:

    \b
      [relay.clinic]
      kind = "fhir"
      url = "https://fhir.clinic.example/r4"
      token_file = "/etc/quietcuff/clinic.token"
      people = ["mira"]

    Nothing is lost while a receiver is away, and nothing arrives twice.

    \b
    Examples:
      quietcuff relay status
      quietcuff relay send clinic --dry-run
    """)

ReceiverName = Annotated[str | None, typer.Argument(metavar="[NAME]", help="This receiver only.")]


def _chosen(options: GlobalOptions, name: str | None) -> list[Receiver]:
    known = receivers_of(options.config)
    if not known:
        raise Failure("the configuration names no receiver; add a [relay.NAME] section (`quietcuff relay --help`)")
    if name is None:
        return known
    chosen = [one for one in known if one.name == name]
    if not chosen:
        raise Failure(f"no receiver '{name}' in the configuration; there are: {', '.join(one.name for one in known)}")
    return chosen


@app.command("status")
def show_status(
    ctx: typer.Context, as_json: Annotated[bool, typer.Option("--json", help="One JSON object a receiver.")] = False
) -> int:
    """Show what each receiver has and what waits for it. Exit code 3 when a reading was refused.

    \b
    Example:
      quietcuff relay status
    """

    with reading_store(options_of(ctx)) as store:
        states = outbox.status(store)
    for state in states:
        if as_json:
            out_json(
                {
                    "name": state.name,
                    "sent": state.sent,
                    "waiting": state.waiting,
                    "reached_at": state.worked_at,
                    "failures": state.failures,
                    "next_at": state.next_at,
                    "trouble": state.trouble,
                    "refused": [
                        {
                            "reading_id": refusal.reading_id,
                            "reason": refusal.reason,
                            "since": refusal.since,
                            "next_at": refusal.next_at,
                        }
                        for refusal in state.refusals
                    ],
                }
            )
            continue
        reached = f"last reached {state.worked_at:%Y-%m-%d %H:%M} UTC" if state.worked_at else "never reached"
        out(visible(f"{state.name}: {state.sent} sent, {state.waiting} waiting, {reached}"))
        if state.trouble:
            again = f"; next at {state.next_at:%H:%M:%S} UTC" if state.next_at else ""
            out(visible(f"  {state.trouble} ({state.failures} times{again})"))
        for refusal in state.refusals:
            out(
                visible(
                    f"  refused: {refusal.reading_id} ({refusal.reason}); next at {refusal.next_at:%Y-%m-%d %H:%M} UTC"
                )
            )
    if not states:
        say("nothing was ever sent on from this store")
    return ATTENTION if any(state.refusals for state in states) else DONE


@app.command("send")
def send_now(
    ctx: typer.Context,
    name: ReceiverName = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be sent.")] = False,
) -> int:
    """Send what waits, now, also where a pause after a failure is not over. Exit code 3 when something stays.

    \b
    Examples:
      quietcuff relay send
      quietcuff relay send clinic --dry-run
    """

    options = options_of(ctx)
    chosen = _chosen(options, name)
    result = DONE
    if dry_run:
        with reading_store(options) as store:
            for receiver in chosen:
                planned = plan(store, receiver)
                parts = (f"{planned.fresh} to send", f"{planned.changed} changed", f"{planned.gone} to take back")
                out(f"{receiver.name}: {', '.join(parts)} ({receiver.url})")
        return DONE
    with writing_store(options):
        pass  # one line now, before any thread begins, where there is none
    outcomes: dict[str, Sent] = {}
    threads = [
        start_sending(options.store_path, options.config, one, partial(outcomes.__setitem__, one.name), now_please=True)
        for one in chosen
    ]
    for receiver, thread in zip(chosen, threads, strict=True):
        while thread.is_alive():
            thread.join(0.2)  # so that Ctrl-C ends it
        sent = outcomes.get(receiver.name, Sent(trouble="ended unexpectedly"))
        if sent.unusable:
            say(sent.trouble or "")
            result = COULD_NOT
            continue
        out(f"{receiver.name}: {words(sent) or 'nothing to send'}")
        if trouble := sent.trouble or sent.skipped:
            say(f"{receiver.name}: {trouble}; what waits is kept")
        if (sent.trouble or sent.skipped or sent.refused) and result == DONE:
            result = ATTENTION
    return result


@app.command("again")
def send_again(ctx: typer.Context, name: Annotated[str, typer.Argument(metavar="NAME")]) -> None:
    """Let everything wait anew, for a receiver that lost what it had. What it still has, it keeps once.

    \b
    Example:
      quietcuff relay again clinic
    """

    options = options_of(ctx)
    (receiver,) = _chosen(options, name)
    with writing_store(options) as store:
        sending.send_again(store, receiver, datetime.now(UTC))
    say(f"all readings wait for {name} anew")


@app.command("forget")
def forget(ctx: typer.Context, name: Annotated[str, typer.Argument(metavar="NAME")]) -> None:
    """Forget a receiver that is no longer in the configuration, and what waits for it.

    Nothing is taken back there, nor from then on of who is erased. Where the same server comes back into the
    configuration, by whatever name, `quietcuff relay again` tells it what changed in the meantime.

    \b
    Example:
      quietcuff relay forget clinic
    """

    options = options_of(ctx)
    if name in options.config.relay:
        raise Failure(f"'{name}' is still in the configuration; take [relay.{name}] out first")
    with writing_store(options) as store:
        receivers.forget(store, name)
    say(
        f"{name} is forgotten; what it received it keeps. If that server comes back into the configuration, by "
        "whatever name, `quietcuff relay again NAME` tells it what changed in the meantime"
    )


@app.command("schema")
def show_schema() -> None:
    """Print the tables that a PostgreSQL receiver gets, for whoever makes them beforehand.

    \b
    Example:
      quietcuff relay schema | psql quietcuff
    """

    out(SCHEMA.rstrip("\n"))
