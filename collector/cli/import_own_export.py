"""The part of `quietcuff import` that takes exports of our own back in."""

import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from io import TextIOWrapper
from typing import BinaryIO, TextIO

from collector.cli.common.command import Failure, GlobalOptions, progress, say
from collector.cli.common.selection import made_store
from collector.intake.pipeline import derive_cuff
from collector.intake.take_back import ImportedClockReading, bring_back, bring_back_clock_readings, bring_back_facts
from collector.service.jobs.export_context import subjects_of, values_of_facts
from collector.share.export.context import ExchangeError, ExportContext
from collector.share.export.fhir.parse import BundleContents, parse_bulk, parse_bundle
from collector.share.export.rows import parse_ndjson
from collector.share.text.layout import counted
from collector.store.acceptable import problem_of
from collector.store.values import Reading

_BUNDLE = "Bundle"


def take_back(options: GlobalOptions, stream: BinaryIO, name: str) -> None:
    """Take every reading that is not there yet, as it was. All or nothing."""

    with (
        TextIOWrapper(stream, encoding="utf-8-sig") as file,
        made_store(options) as store,
        progress("readings taken") as show,
    ):
        said, now = BundleContents(), datetime.now(UTC)
        try:
            with store.transaction():
                what, found = _readings(file, ExportContext(subjects=subjects_of(options.config)), said)
                done = bring_back(store, _acceptable(found, what), now, show, lambda: said.station)
                clocks = (ImportedClockReading(one.cuff, one.at, one.cuff_clock, at) for at, one in said.clock_readings)
                cuffs = done.cuffs | bring_back_clock_readings(store, clocks)
                cuffs |= {
                    cuff
                    for cuff, facts in said.cuffs.items()
                    if bring_back_facts(store, cuff, values_of_facts(facts), now)
                }
                for cuff in sorted(cuffs):
                    derive_cuff(store, cuff)
        except ExchangeError as error:
            raise Failure(f"{name}: {error}; nothing was taken") from None
        except UnicodeDecodeError:
            line = _first_that_is_not_utf8(stream)
            raise Failure(f"{name}, line {line}: not UTF-8, as every export is; nothing was taken") from None
        except RecursionError:
            raise Failure(f"{name}: nested too deep for an export of ours; nothing was taken") from None
    there = f", {done.there} were there already" if done.there else ""
    say(f"{counted(done.new, 'reading')} taken from {name}{there}")
    if done.people:
        say(f"new here: {', '.join(done.people)}")


def _first_that_is_not_utf8(stream: BinaryIO) -> int:
    stream.seek(0)
    return next(number for number, line in enumerate(stream, 1) if line.decode("utf-8", "ignore").encode() != line)


def _acceptable(found: Iterable[Reading], what: str) -> Iterator[Reading]:
    """Each, unless one is none that anybody measured. Raises ExchangeError."""
    for number, reading in enumerate(found, 1):
        if problem := problem_of(reading):
            raise ExchangeError(f"{what} {number} ({str(reading.reading_id)[:40]!r}): {problem}")
        yield reading


def _readings(file: TextIO, context: ExportContext, contents: BundleContents) -> tuple[str, Iterator[Reading]]:
    """By what the file says it is: what its readings are counted in, and the readings."""

    line, second = file.readline(), file.readline()
    file.seek(0)
    try:
        first = json.loads(line)
    except ValueError:
        first = _as_far_as_it_goes(line, second)
    if isinstance(first, dict) and {"header", "body"} <= first.keys():
        raise ExchangeError(
            "Open mHealth data points, which hold too little of a reading to be taken back; export "
            "with --to ndjson or --to fhir for that"
        )
    kind = first.get("resourceType") if isinstance(first, dict) else _BUNDLE
    if kind == _BUNDLE:
        return "reading", parse_bundle(file, context, contents)
    return ("line", parse_ndjson(file)) if kind is None else ("reading", parse_bulk(file, context, contents))


def _as_far_as_it_goes(line: str, second: str) -> dict[str, str]:
    """What a first line is that is no JSON by itself: of one object over several lines, or a broken one of many."""
    if f'"{_BUNDLE}"' not in line:
        if '"reading_id"' in line + second:
            return {}
        if second.startswith('{"resourceType"'):
            return {"resourceType": "one a line"}
    return {"resourceType": _BUNDLE}
