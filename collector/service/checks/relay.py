"""Does every receiver have what it should?"""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from shlex import quote

from collector.service.checks.finding import Finding, attention, fine
from collector.service.config import Config
from collector.service.jobs.relaying import receivers_of
from collector.share.export.context import ExchangeError
from collector.share.relay.sending import found_people
from collector.store import outbox
from collector.store.database import Store

PATIENCE = timedelta(days=1)


def findings(store: Store, config: Config) -> Iterator[Finding]:
    states = {state.name: state for state in outbox.status(store)}
    for receiver in receivers_of(config):
        topic = f"relay {receiver.name}"
        state = states.pop(receiver.name, None)  # in the configuration, whatever is wrong with it
        try:
            found_people(store, receiver).check_secrets()
        except ExchangeError as error:
            remedy = f"mend [relay.{receiver.name}] in the configuration, or the file that it names; what waits is kept"
            yield attention(topic, str(error).removeprefix(f"{topic}: "), remedy)
            continue
        if state is None:
            yield fine(topic, "nothing was sent yet; the service sends every minute")
            continue
        line = f"{state.sent} sent, {state.waiting} waiting" + (
            f", last reached {state.worked_at:%Y-%m-%d %H:%M} UTC" if state.worked_at else ", never reached"
        )
        if state.refusals:
            refusal = state.refusals[0]
            yield attention(
                topic,
                f"{line}; refused: {refusal.reading_id} ({refusal.reason})",
                "look at that reading and at what the receiver minds; it is tried again by itself",
            )
        elif state.trouble and datetime.now(UTC) - (state.worked_at or state.since) > PATIENCE:
            yield attention(
                topic, f"{line}; {state.trouble}", f"`quietcuff relay send {quote(receiver.name)}` tries at once"
            )
        else:
            yield fine(topic, line + (f"; {state.trouble}" if state.trouble else ""))
    for name in states:
        yield attention(
            f"relay {name}",
            "is no longer in the configuration; its outbox goes on growing",
            f"`quietcuff relay forget {quote(name)}` ends that",
        )
