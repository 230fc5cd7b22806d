"""What the service would give notice of: missed cuffs, batteries, clocks, bonds, disks, backups, very high readings."""

from collections.abc import Iterator

from collector.service.checks.finding import Finding, attention
from collector.service.config import Config
from collector.service.notices.rounds import notices_now
from collector.store.database import Store

_SHOWN_ELSEWHERE = frozenset({"service"})


def look(store: Store, config: Config) -> Iterator[Finding]:
    for notice in notices_now(store, config):
        if notice.topic not in _SHOWN_ELSEWHERE:
            yield attention(notice.topic, notice.words(personal=True), notice.remedy)
