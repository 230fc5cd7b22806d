"""The schema, step by step. Forward only: a step that has been released is never changed, only followed.

A step is a module mNNN_name.py with `apply(db)`; they are taken in the order of their numbers.
"""

from importlib import import_module
from pathlib import Path

MODULES = tuple(sorted(path.stem for path in Path(__file__).parent.glob("m*.py")))
STEPS = tuple((name[1:].replace("_", " "), import_module(f"{__name__}.{name}").apply) for name in MODULES)
"""In order, by name. The store's user_version is the number of steps taken."""
