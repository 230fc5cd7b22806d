"""What only runs by hand or in the lab still finds what it imports: benches, guests' jobs, the makers of pictures."""

import ast
from importlib import import_module
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
SELDOM = [*TESTS.glob("bench/*.py"), *TESTS.glob("stack/guest/*.py"), *TESTS.glob("*.py")]


@pytest.mark.parametrize("path", SELDOM, ids=lambda path: str(path.relative_to(TESTS)))
def test_what_it_imports_of_the_product_is_there(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in ("collector", "parsers"):
            module = import_module(node.module or "")
            for one in node.names:
                assert hasattr(module, one.name) or import_module(f"{node.module}.{one.name}"), one.name
