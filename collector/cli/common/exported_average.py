"""An average for an export: the person's most recent series by a protocol, if it is long enough."""

from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal

from collector.cli.common.asked_series import asked, samples_of
from collector.cli.common.command import GlobalOptions, say
from collector.numbers.average import average
from collector.numbers.values import rounded_text
from collector.share.export.context import AverageResult, ExportContext
from collector.store.database import Store


def with_average(
    around: GlobalOptions, store: Store, context: ExportContext, person: str, protocol: str
) -> ExportContext:
    """The surroundings with the average in them. A series that is too short gives none, and that is said."""
    wanted = asked(around, store, person, protocol, None, None)
    samples = samples_of(store, wanted)
    found = average(samples, wanted.protocol, wanted.plan, None, None)
    if not found.valid or found.systolic is None or found.diastolic is None:
        say(f"no average for {wanted.person}: {'; '.join(found.short_of) or 'nothing to reckon from'}")
        return context
    times = [one.taken_at for one in samples if one.reading_id in set(found.used_ids)]
    result = AverageResult(
        person=wanted.person,
        protocol=found.protocol.name,
        systolic=Decimal(rounded_text(found.systolic, beside=found.threshold.systolic)),
        diastolic=Decimal(rounded_text(found.diastolic, beside=found.threshold.diastolic)),
        count=found.used,
        start=min(times),
        end=max(times),
        computed_at=datetime.now(UTC),
        reading_ids=found.used_ids,
        pulse=None if found.pulse is None else Decimal(rounded_text(found.pulse)),
    )
    return replace(context, averages=(result,))
