"""An average for an export: the person's most recent series by a protocol, if it is long enough."""

from dataclasses import replace

from collector.cli.common.asked_series import asked, samples_of
from collector.cli.common.command import GlobalOptions, say
from collector.numbers.average import average
from collector.service.jobs.relayed_series import as_result
from collector.share.export.context import ExportContext
from collector.store.database import Store


def with_average(
    options: GlobalOptions, store: Store, context: ExportContext, person: str, protocol: str
) -> ExportContext:
    """The surroundings with the average in them. A series that is too short gives none, and that is said."""
    wanted = asked(options, store, person, protocol, None, None)
    samples = samples_of(store, wanted)
    found = average(samples, wanted.protocol, wanted.plan, None, None)
    result = as_result(wanted.person, found, samples)
    if result is None:
        say(f"no average for {wanted.person}: {'; '.join(found.short_of) or 'nothing to reckon from'}")
        return context
    return replace(context, averages=(result,))
