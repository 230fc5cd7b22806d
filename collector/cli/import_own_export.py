"""The part of `quietcuff import` that takes exports of our own back in."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from collector.cli.common.command import Failure, Surroundings, progress, say

if TYPE_CHECKING:
    from collector.share.export.context import ExportContext
    from collector.share.export.fhir.parse import BundleContents
    from collector.store.values import Reading


def looks_like_ours(path: Path) -> bool:
    """Whether the file begins like JSON: an NDJSON export, a FHIR Bundle or bulk NDJSON."""
    try:
        with open(path, encoding="utf-8-sig") as file:
            return file.read(4096).lstrip().startswith("{")
    except (OSError, UnicodeDecodeError):
        return False


def take_back(around: Surroundings, path: Path) -> None:
    """Take every reading that is not there yet, as it was. All or nothing."""
    from collector.intake.sources.take_back import Looked, bring_back, bring_back_facts, bring_back_looks
    from collector.service.jobs.export_context import subjects_of, values_of_facts
    from collector.share.export.context import ExchangeError, ExportContext
    from collector.share.export.fhir.parse import BundleContents
    from collector.store.database import open_store

    with (
        open(path, encoding="utf-8-sig") as file,
        open_store(around.store_path) as store,
        progress("readings taken") as show,
    ):
        said, now = BundleContents(), datetime.now(UTC)
        try:
            with store.transaction():
                found = _readings(file, ExportContext(subjects=subjects_of(around.config)), said)
                done = bring_back(store, found, now, show, lambda: said.station)
                bring_back_looks(
                    store, (Looked(one.cuff, one.at, one.cuff_clock, at) for at, one in said.clock_readings)
                )
                for cuff, facts in said.cuffs.items():
                    bring_back_facts(store, cuff, values_of_facts(facts), now)
        except (ExchangeError, UnicodeDecodeError) as error:
            raise Failure(f"{path}: {error}; nothing was taken") from None
    there = f", {done.there} were there already" if done.there else ""
    say(f"{done.new} reading{'' if done.new == 1 else 's'} taken from {path}{there}")
    if done.people:
        say(f"new here: {', '.join(done.people)}")


def _readings(file: TextIO, context: "ExportContext", contents: "BundleContents") -> "Iterator[Reading]":
    """By what the file says it is."""
    from collector.share.export.fhir.parse import parse_bulk, parse_bundle
    from collector.share.export.rows import parse_ndjson

    line = file.readline()
    file.seek(0)
    try:
        first = json.loads(line)
    except ValueError:
        first = None  # one object over several lines: a Bundle
    kind = first.get("resourceType") if isinstance(first, dict) else "Bundle"
    if kind == "Bundle":
        return parse_bundle(file, context, contents)
    return parse_ndjson(file) if kind is None else parse_bulk(file, context, contents)
