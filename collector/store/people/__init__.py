"""People: added, listed, renamed. What belongs to them is in `spans` and `claims`; erasing in `erase`."""

from collector.store.people.persons import Person, add, by_row, every, find, namesakes, need, need_alone, rename

__all__ = ["Person", "add", "by_row", "every", "find", "namesakes", "need", "need_alone", "rename"]
