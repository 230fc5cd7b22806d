"""The journal: every payload as it came, on disk before anything looks into it."""

from collector.store.journal.counts import Counts, Trouble, counts, troubles
from collector.store.journal.payloads import Appended, append, append_all, came

__all__ = ["Appended", "Counts", "Trouble", "append", "append_all", "came", "counts", "troubles"]
