"""Readings as one FHIR Bundle or as bulk NDJSON, streamed: the memory used does not grow with the readings."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import islice
from typing import TextIO

from collector.share.export.context import AverageResult, ExportContext
from collector.share.export.fhir import actors, averages, codes
from collector.share.export.fhir.actors import Resource
from collector.share.export.fhir.averages import page_condition, report_page
from collector.share.export.fhir.narrative import by_identifier
from collector.share.export.fhir.observations import Observations, reading_conditions
from collector.store.values import Reading


class Count:
    """How many readings went past."""

    def __init__(self) -> None:
        self.readings = 0


def resources(
    readings: Iterable[Reading], context: ExportContext, in_bundle: bool, count: Count | None = None
) -> Iterator[Resource]:
    """Everything there is to write, each resource after those it refers to; averages last."""
    made = Observations(context, in_bundle)
    wanted = {reading_id for result in context.averages for reading_id in result.reading_ids}
    present: set[str] = set()
    for reading in readings:
        yield from made.of(reading)
        if reading.reading_id in wanted:
            present.add(reading.reading_id)
        if count:
            count.readings += 1
    for result in context.averages:
        yield from made.person(result.person)
        yield averages.average(result, context, in_bundle, present)


def write_collection(readings: Iterable[Reading], file: TextIO, context: ExportContext) -> int:
    """A Bundle of type collection, one entry a line; returns how many readings."""
    return _write(readings, file, context, "collection")


def write_transaction(readings: Iterable[Reading], file: TextIO, context: ExportContext) -> int:
    """A Bundle of type transaction; every entry is a conditional create by identifier, so that a server that
    takes it twice has everything once (FHIR R4, http, conditional create)."""
    return _write(readings, file, context, "transaction")


def write_bulk(readings: Iterable[Reading], file: TextIO, context: ExportContext) -> int:
    """One resource a line (HL7 Bulk Data Access guide, NDJSON); returns how many readings."""
    count = Count()
    for resource in resources(readings, context, in_bundle=False, count=count):
        file.write(resource.text + "\n")
    return count.readings


def delivery(
    fresh: Iterable[Reading], changed: Iterable[Reading], gone: Iterable[str], context: ExportContext
) -> tuple[str, int]:
    """(one transaction for a server, how many entries it has).

    What is fresh is created on condition, what has changed is updated on condition, what is gone is deleted on
    condition (FHIR R4, http). Sent twice, it does nothing the second time.
    """
    made = Observations(context, in_bundle=True)
    entries = [_entry(one, "transaction") for reading in fresh for one in made.of(reading)]
    for reading in changed:
        left = set(reading_conditions(reading.reading_id))
        for one in made.of(reading):
            entries.append(_update(one) if one.condition in left else _entry(one, "transaction"))
            left.discard(one.condition)
        entries += map(_delete, sorted(left))
    entries += [_delete(condition) for reading_id in gone for condition in reading_conditions(reading_id)]
    joined = ",\n".join(entries)
    return _start("transaction") + (f',"entry":[\n{joined}\n]' if entries else "") + "}\n", len(entries)


def series_delivery(
    results: Mapping[str, AverageResult], pages: Mapping[str, bytes], gone: Iterable[str], context: ExportContext
) -> tuple[str, int]:
    """The same for averages and their pages, by the UUIDs of their series; what is there of a series is replaced."""
    made = Observations(context, in_bundle=True)
    entries = []
    for name, result in results.items():
        entries += [_entry(one, "transaction") for one in made.person(result.person)]
        entries.append(_update(averages.average(result, context, True, (), name)))
        if name in pages:
            subject = f"urn:uuid:{actors.patient(result.person, context).uuid}"
            entries.append(_update(report_page(name, result, pages[name], subject)))
    for name in gone:
        entries.append(_delete(by_identifier(codes.AVERAGE_SYSTEM, name)))
        entries.append(_delete(page_condition(name), "DocumentReference"))
    joined = ",\n".join(entries)
    return _start("transaction") + f',"entry":[\n{joined}\n]}}\n', len(entries)


def _update(resource: Resource) -> str:
    # The server knows its own id of it, and refuses another (FHIR R4, http, conditional update).
    text = resource.text.replace(f'"id":"{resource.uuid}",', "", 1)
    return (
        f'{{"fullUrl":"urn:uuid:{resource.uuid}","resource":{text},"request":'
        f'{{"method":"PUT","url":"{resource.kind}?{resource.condition}"}}}}'
    )


def _delete(condition: str, kind: str = "Observation") -> str:
    return f'{{"request":{{"method":"DELETE","url":"{kind}?{condition}"}}}}'


def _write(readings: Iterable[Reading], file: TextIO, context: ExportContext, kind: str) -> int:
    if not context.batch:
        return _bundle(readings, file, context, kind, "\n")
    count = 0
    source = iter(readings)
    bare = replace(context, averages=())
    while some := list(islice(source, context.batch)):
        count += _bundle(some, file, bare, kind, "")
    if context.averages or not count:
        _bundle((), file, context, kind, "")
    return count


def _bundle(readings: Iterable[Reading], file: TextIO, context: ExportContext, kind: str, line: str) -> int:
    """line: what ends an entry."""
    count = Count()
    file.write(_start(kind))
    first = before = f',"entry":[{line}'  # an empty list is not allowed (FHIR R4, JSON)
    for resource in resources(readings, context, in_bundle=True, count=count):
        file.write(before + _entry(resource, kind))
        before = "," + line
    file.write(f"{line}]}}\n" if before != first else "}\n")
    return count.readings


def _start(kind: str) -> str:
    return f'{{"resourceType":"Bundle","type":"{kind}"'


def _entry(resource: Resource, kind: str) -> str:
    if kind == "collection":
        return f'{{"fullUrl":"urn:uuid:{resource.uuid}","resource":{resource.text}}}'
    return (
        f'{{"fullUrl":"urn:uuid:{resource.uuid}","resource":{resource.text},"request":'
        f'{{"method":"POST","url":"{resource.kind}","ifNoneExist":"{resource.condition}"}}}}'
    )
