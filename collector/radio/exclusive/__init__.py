"""A radio with an adapter of its own (`adapter.py`), where a record is confirmed only once it is on disk."""
