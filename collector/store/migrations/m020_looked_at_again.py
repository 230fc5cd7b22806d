"""Hand-written readings are looked at again: a line stayed the second writing of a correction that holds no longer, or
of what corrects it, and counted nowhere."""

from collector.store.migrations.m018_copies import STATEMENTS

__all__ = ["STATEMENTS"]
