"""Hand-written readings are looked at again: a log's copy of what a cuff sent, whose time may be out by more than a
minute, counted twice."""

from collector.store.migrations.m018_copies import STATEMENTS

__all__ = ["STATEMENTS"]
