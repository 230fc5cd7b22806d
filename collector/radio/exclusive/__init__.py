"""A radio with an adapter of its own, where a cuff's record is confirmed only once it is on disk."""

from collector.radio.exclusive.adapter import ExclusiveRadio

__all__ = ["ExclusiveRadio"]
