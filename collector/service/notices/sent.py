"""What was told through which channel: kept in a small file beside the store, so that a restart repeats nothing.

Beside and not inside the store, because a full disk or a damaged store is itself worth a notice. The file changes only
when something begins or ends.
"""

import json
import os
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from collector.store.errors import StoreError
from collector.store.writers import open_own, part_of

OVER_AFTER = timedelta(hours=1)
"""A notice that is gone for so long is over. What comes back sooner is still the same."""


class SentNotices:
    """Per channel: the notices it was given, and since when one is gone."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._gone_since: dict[str, dict[str, str | None]] = {}
        with suppress(OSError, ValueError):
            kept: Any = json.loads(path.read_text("utf-8"))
            self._gone_since = {str(channel): dict(notices) for channel, notices in kept.items()}

    @staticmethod
    def beside(store: Path) -> "SentNotices":
        return SentNotices(store.with_name(store.name + ".notices"))

    def was_sent(self, channel: str, key: str) -> bool:
        return key in self._gone_since.get(channel, {})

    def begins(self, channel: str, key: str) -> None:
        self._set(channel, key, None)

    def over(self, channel: str, key: str) -> None:
        if self._gone_since.get(channel, {}).pop(key, "") != "":
            self._write()

    def ended(self, channel: str, standing: frozenset[str], now: datetime) -> list[str]:
        """The notices of a channel that are over by now."""
        found = []
        for key, since in list(self._gone_since.get(channel, {}).items()):
            if key in standing:
                if since is not None:
                    self._set(channel, key, None)
            elif since is None:
                self._set(channel, key, now.isoformat())
            elif not timedelta() <= now - datetime.fromisoformat(since) < OVER_AFTER:
                found.append(key)
        return found

    def _set(self, channel: str, key: str, gone_since: str | None) -> None:
        self._gone_since.setdefault(channel, {})[key] = gone_since
        self._write()

    def _write(self) -> None:
        """In one step; where the disk is full or a link stands in the way, memory has to do until the next start."""
        part = part_of(self.path)
        with suppress(OSError, StoreError):
            descriptor = open_own(part, os.O_TRUNC | os.O_WRONLY)
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                json.dump(self._gone_since, file)
            part.replace(self.path)
