"""The schema, step by step. Forward only: a step that has been released is never changed, only followed.

A step is a module mNNN_name.py: its STATEMENTS, and `afterwards(db)` where SQL does not do; they are taken in the order
of their numbers.
"""

from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

MODULES = tuple(sorted(path.stem for path in Path(__file__).parent.glob("m*.py")))


def _step(name: str) -> Callable[[Any], None]:
    module = import_module(f"{__name__}.{name}")

    def apply(db: Any) -> None:
        for statement in module.STATEMENTS:
            db.execute(statement)
        if hasattr(module, "afterwards"):
            module.afterwards(db)

    return apply


STEPS = tuple((name[1:].replace("_", " "), _step(name)) for name in MODULES)
"""In order, by name. The store's user_version is the number of steps taken."""
