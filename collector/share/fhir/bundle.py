"""Readings as one FHIR Bundle or as bulk NDJSON, streamed: the memory used does not grow with the readings."""

from collections.abc import Iterable, Iterator
from typing import TextIO

from collector.share.exchange import Exchange
from collector.share.fhir import averages
from collector.share.fhir.actors import Resource
from collector.share.fhir.observations import Observations
from collector.store.values import Reading


class Count:
    """How many readings went past."""

    def __init__(self) -> None:
        self.readings = 0


def resources(readings: Iterable[Reading], exchange: Exchange, in_bundle: bool,
              count: Count | None = None) -> Iterator[Resource]:
    """Everything there is to write, each resource after those it refers to; averages last."""
    made = Observations(exchange, in_bundle)
    wanted = {reading_id for result in exchange.averages for reading_id in result.reading_ids}
    present: set[str] = set()
    for reading in readings:
        yield from made.of(reading)
        if reading.reading_id in wanted:
            present.add(reading.reading_id)
        if count:
            count.readings += 1
    for result in exchange.averages:
        yield from made.person(result.person)
        yield averages.average(result, exchange, in_bundle, present)


def write_collection(readings: Iterable[Reading], file: TextIO, exchange: Exchange) -> int:
    """A Bundle of type collection, one entry a line; returns how many readings."""
    return _write(readings, file, exchange, "collection")


def write_transaction(readings: Iterable[Reading], file: TextIO, exchange: Exchange) -> int:
    """A Bundle of type transaction; every entry is a conditional create by identifier, so that a server that
    takes it twice has everything once (FHIR R4, http, conditional create)."""
    return _write(readings, file, exchange, "transaction")


def write_bulk(readings: Iterable[Reading], file: TextIO, exchange: Exchange) -> int:
    """One resource a line (HL7 Bulk Data Access guide, NDJSON); returns how many readings."""
    count = Count()
    for resource in resources(readings, exchange, in_bundle=False, count=count):
        file.write(resource.text + "\n")
    return count.readings


def transaction(readings: Iterable[Reading], exchange: Exchange) -> str:
    """One transaction Bundle as text, for sending."""
    entries = ",\n".join(_entry(one, "transaction") for one in resources(readings, exchange, in_bundle=True))
    return _start("transaction") + (f',"entry":[\n{entries}\n]' if entries else "") + "}\n"


def _write(readings: Iterable[Reading], file: TextIO, exchange: Exchange, kind: str) -> int:
    count = Count()
    file.write(_start(kind))
    before = ',"entry":[\n'  # an empty list is not allowed (FHIR R4, JSON)
    for resource in resources(readings, exchange, in_bundle=True, count=count):
        file.write(before + _entry(resource, kind))
        before = ",\n"
    file.write("\n]}\n" if before == ",\n" else "}\n")
    return count.readings


def _start(kind: str) -> str:
    return f'{{"resourceType":"Bundle","type":"{kind}"'


def _entry(resource: Resource, kind: str) -> str:
    if kind == "collection":
        return f'{{"fullUrl":"urn:uuid:{resource.uuid}","resource":{resource.text}}}'
    return (f'{{"fullUrl":"urn:uuid:{resource.uuid}","resource":{resource.text},"request":'
            f'{{"method":"POST","url":"{resource.kind}","ifNoneExist":"{resource.condition}"}}}}')
