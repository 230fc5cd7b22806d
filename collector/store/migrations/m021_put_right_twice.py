"""Hand-written readings are looked at again: a line put right in the log, and taken in before the correction here that
says the same, counted beside it."""

from collector.store.migrations.m018_copies import STATEMENTS

__all__ = ["STATEMENTS"]
