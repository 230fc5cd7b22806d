"""Averages and their pages to a receiver that takes them: one a series, replaced as long as the series goes on.

Which of them the receiver has stands in the store, by a digest of whom they are of: it outlives nobody's erasing.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from hashlib import sha256
from typing import Any

from collector.share.export.context import AverageResult, ExportContext, Latest
from collector.share.export.fhir.narrative import uuid_of
from collector.share.relay.receiver import Receiver
from collector.share.relay.target import KeepsSeries, SeriesNews
from collector.store import receivers
from collector.store.database import Store

KnownSeries = dict[str, list[dict[str, str]]]
"""By person: the series that the receiver has, each with id, first, last and digest."""


@dataclass(slots=True)
class SeriesThere:
    """What the receiver has. due: whether readings were sent since that was looked at."""

    store: Store
    row: int
    due: bool = True
    has: KnownSeries = field(default_factory=dict)

    @classmethod
    def at(cls, store: Store, row: int) -> "SeriesThere":
        try:
            said: Mapping[str, Any] = json.loads(receivers.entered(store, row) or b"{}")
        except ValueError:  # the digest of a receiver of another kind that had this name before
            said = {}
        return cls(store, row, bool(said.get("due", True)), dict(said.get("has", {})))

    def keep(self, due: bool) -> None:
        self.due = due
        receivers.keep_entered(self.store, self.row, json.dumps({"due": due, "has": self.has}).encode())

    def keep_in_any_state(self) -> None:
        """The receiver may have these in whatever state: what is valid is sent again, what is not is taken back."""
        self.has = {person: [{**it, "digest": ""} for it in has] for person, has in self.has.items()}
        self.keep(due=True)

    def bring(self, target: KeepsSeries, receiver: Receiver, context: ExportContext) -> None:
        """Raises Unreachable and RefusedByReceiver; what was not taken is tried again with the next readings."""
        has, news = self._news(context.latest(receiver.people), context)
        if news:
            self.has = _either(self.has, has, news)
            self.keep(due=True)
            target.keep_series(news if receiver.report else replace(news, pages={}))
        self.has = has
        self.keep(due=False)

    def _news(self, found: list[Latest], context: ExportContext) -> tuple[KnownSeries, SeriesNews]:
        has: KnownSeries = {}
        results: dict[str, AverageResult] = {}
        pages: dict[str, Any] = {}
        gone = [one["id"] for person in self.has.keys() - {_key(one) for one in found} for one in self.has[person]]
        for one in found:
            first, last = f"{one.first}", f"{one.last}"
            earlier = self.has.get(_key(one), [])
            meets = [] if one.first is None else [it for it in earlier if it["first"] <= last and first <= it["last"]]
            left = [it for it in earlier if it not in meets]
            if one.first is None:
                gone += [it["id"] for it in left]
                continue
            if one.result is None:
                gone += [it["id"] for it in meets]
            else:
                name = meets[0]["id"] if meets else uuid_of(f"series {context.station} {one.uid} {first}")
                gone += [it["id"] for it in meets[1:]]
                digest = _digest(one.result)
                if not meets or meets[0]["digest"] != digest:
                    results[name], pages[name] = one.result, one.page
                left.append({"id": name, "first": first, "last": last, "digest": digest})
            has[_key(one)] = left
        return has, SeriesNews(results, pages, gone)


def _either(before: KnownSeries, after: KnownSeries, sending: SeriesNews) -> KnownSeries:
    """What a receiver may have until it answers: with no digest where that is not known, so that it is sent again."""
    found: KnownSeries = {}
    for person in before.keys() | after.keys():
        known = {it["id"]: it for has in (before, after) for it in has.get(person, [])}
        found[person] = [{**it, "digest": ""} if name in sending.averages else it for name, it in known.items()]
    return found


def _key(one: Latest) -> str:
    return sha256(one.uid.encode()).hexdigest()[:16]


def _digest(result: AverageResult) -> str:
    told = [value for name in AverageResult.__slots__ if name != "computed_at" for value in (getattr(result, name),)]
    return sha256(repr(told).encode("utf-8", "replace")).hexdigest()[:32]
