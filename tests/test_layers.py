"""The rooms import downwards only, so that data flows one way and any room can be read without those above."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MAY_IMPORT = {
    "parsers": {"parsers"},
    "collector/radio": {"parsers", "collector.radio", "collector.systemd_notify"},
    "collector/store": {"collector.store"},
    "collector/intake": {"parsers", "collector.store", "collector.intake"},
    "collector/numbers": {"collector.numbers"},
    "collector/share": {"collector.store", "collector.numbers", "collector.share"},
    "collector/service": {
        "parsers",
        "collector.systemd_notify",
        "collector.radio",
        "collector.store",
        "collector.intake",
        "collector.numbers",
        "collector.share",
        "collector.service",
    },
    "collector/page": {
        "collector.store",
        "collector.intake",
        "collector.numbers",
        "collector.share",
        "collector.service",
        "collector.page",
    },
}


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            module = node.module or ""
            names |= {f"{module}.{alias.name}" for alias in node.names} if module == "collector" else {module}
    return {name for name in names if name.split(".")[0] in {"parsers", "collector"}}


@pytest.mark.parametrize("room", MAY_IMPORT)
def test_room_imports_only_what_it_may(room: str) -> None:
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in sorted((ROOT / room).rglob("*.py"))
        for name in imported(path)
        if not any(name == allowed or name.startswith(allowed + ".") for allowed in MAY_IMPORT[room])
    ]
    assert not wrong


def test_only_the_command_that_starts_it_imports_the_page() -> None:
    found = {
        str(path.relative_to(ROOT))
        for path in (ROOT / "collector").rglob("*.py")
        if "collector/page" not in str(path) and any(name.startswith("collector.page") for name in imported(path))
    }
    assert found == {"collector/cli/page.py"}


def test_the_page_asks_and_shows_but_neither_reckons_nor_queries() -> None:
    """No SQL, no arithmetic on values: what is shown is worked out below. Counting seconds to an end is plumbing."""
    plumbing = {"life.py", "serving.py", "visitor.py", "start.py", "certificate.py"}
    reckoning = (ast.Sub, ast.Mult, ast.FloorDiv, ast.Pow)
    wrong = []
    for path in sorted((ROOT / "collector/page").rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute) and node.attr in ("query", "scalar", "row") and _is_store(node.value):
                wrong.append(f"{path.name}:{node.lineno} queries")
            if isinstance(node, ast.BinOp) and isinstance(node.op, reckoning) and path.name not in plumbing:
                wrong.append(f"{path.name}:{node.lineno} reckons")
            if isinstance(node, (ast.Import, ast.ImportFrom)):
                names = {alias.name for alias in node.names} | {getattr(node, "module", "") or ""}
                wrong += [
                    f"{path.name} imports {name}" for name in names & {"sqlite3", "decimal", "statistics", "math"}
                ]
    assert not wrong


def _is_store(node: ast.AST) -> bool:
    return (isinstance(node, ast.Name) and node.id == "store") or (
        isinstance(node, ast.Attribute) and node.attr == "store"
    )


def test_parsers_need_construct_only() -> None:
    import sys

    allowed = {"parsers", "construct"} | sys.stdlib_module_names
    for path in sorted((ROOT / "parsers").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = (
                [a.name for a in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
            assert all(name.split(".")[0] in allowed for name in names), f"{path}: {names}"


def test_the_check_itself_sees_a_wrong_import(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.py"
    wrong.write_text("from collector.cli import main\n", "utf-8")
    assert imported(wrong) == {"collector.cli"}
