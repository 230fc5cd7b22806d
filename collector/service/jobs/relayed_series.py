"""Each person's most recent series as receivers and exports get it: the average by the person's plan, and its page."""

from collections.abc import Sequence
from datetime import UTC, datetime
from decimal import Decimal
from functools import partial

from collector.numbers.average import Average, average
from collector.numbers.protocols import UnknownProtocol
from collector.numbers.values import Sample, rounded_text
from collector.service.config import Config, ConfigError
from collector.service.config.plans import in_force
from collector.share.export.context import AverageResult, Latest
from collector.share.report import render_pdf
from collector.share.report.gather import WantedReport, gather
from collector.share.samples import samples
from collector.store import readings
from collector.store.database import Store
from collector.store.merge.people_entries import uids_called
from collector.store.values import Selection


def latest_series(store: Store, config: Config, names: Sequence[str]) -> list[Latest]:
    """Of these people, or of everybody; of whom the plan cannot be used there is none (`check` tells of it)."""
    found = []
    for name, uid in uids_called(store).items():
        if names and name not in names:
            continue
        try:
            rules, plan = in_force(config, name)
        except (UnknownProtocol, ConfigError):
            continue
        taken = list(samples(readings.select(store, Selection(person=name))))
        series = average(taken, rules, plan, None, None)
        found.append(
            Latest(
                name,
                uid,
                series.first,
                series.last,
                result=as_result(name, series, taken),
                page=partial(_page, store, config, name),
            )
        )
    return found


def as_result(person: str, found: Average, taken: Sequence[Sample]) -> AverageResult | None:
    """What is told of a series that is long enough."""
    if not found.valid or found.systolic is None or found.diastolic is None:
        return None
    used = set(found.used_ids)
    times = [one.taken_at for one in taken if one.reading_id in used]
    return AverageResult(
        person=person,
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


def _page(store: Store, config: Config, person: str) -> bytes:
    """The page for the chart, as PDF. Raises ReportError without the extra `report`."""
    rules, plan = in_force(config, person)
    station = config.station
    wanted = WantedReport(person, rules, plan, emergency=station.emergency_number, place=station.name)
    return render_pdf(gather(store, wanted, datetime.now(UTC)), "A4")
