"""The rooms import downwards only, so that data flows one way and any room can be read without those above."""

import ast
import re
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MAY_IMPORT = {
    "parsers": {"parsers"},
    "collector/radio": {"parsers", "collector.radio", "collector.systemd_notify"},
    "collector/store": {"collector.store", "parsers.uuids"},  # what stands in place of a characteristic
    "collector/intake": {"parsers", "collector.store", "collector.intake"},
    "collector/numbers": {"collector.numbers", "parsers.plausible"},  # one rule of what no measurement can mean
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


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


@cache
def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            module = node.module or ""
            names |= (
                {f"{module}.{alias.name}" for alias in node.names} if module in ("collector", "parsers") else {module}
            )
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


def test_only_the_commands_that_start_it_import_the_page() -> None:
    found = {
        str(path.relative_to(ROOT))
        for path in (ROOT / "collector").rglob("*.py")
        if "collector/page" not in str(path) and any(name.startswith("collector.page") for name in imported(path))
    }
    assert found == {"collector/cli/page.py", "collector/cli/demo.py"}


def test_the_page_asks_and_shows_but_neither_reckons_nor_queries() -> None:
    """No SQL, no arithmetic on values: what is shown is worked out below. Counting seconds to an end is plumbing."""
    plumbing = {"guard.py", "serving.py", "visitor.py", "start.py", "certificate.py"}
    reckoning = (ast.Sub, ast.Mult, ast.FloorDiv, ast.Pow)
    wrong = []
    for path in sorted((ROOT / "collector/page").rglob("*.py")):
        tree = parsed(path)
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
        for node in ast.walk(parsed(path)):
            names = (
                [a.name for a in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
            assert all(name.split(".")[0] in allowed for name in names), f"{path}: {names}"


ROOMS = ("radio", "store", "intake", "numbers", "share", "service", "page", "cli")


def parts_of(room: str) -> dict[str, set[str]]:
    """Which folders and modules of a room each of them imports."""
    found: dict[str, set[str]] = {}
    for path in sorted((ROOT / "collector" / room).rglob("*.py")):
        part = path.relative_to(ROOT / "collector" / room).parts[0].removesuffix(".py")
        if part != "__init__":
            names = (name.split(".") for name in imported(path))
            found.setdefault(part, set()).update(
                name[2] for name in names if name[:2] == ["collector", room] and len(name) > 2 and name[2] != part
            )
    return found


@pytest.mark.parametrize("room", ROOMS)
def test_the_parts_of_a_room_do_not_import_each_other_in_a_circle(room: str) -> None:
    imports = parts_of(room)

    def reached(start: str) -> set[str]:
        seen: set[str] = set()
        left = [start]
        while left:
            for part in imports.get(left.pop(), set()) - seen:
                seen.add(part)
                left.append(part)
        return seen

    assert not {part for part in imports if part in reached(part)}


SQL = re.compile(
    r"\b(SELECT .+ FROM|INSERT (OR \w+ )?INTO|UPDATE \w+ SET|DELETE FROM|CREATE (TEMP )?TABLE|ATTACH DATABASE"
    r"|PRAGMA \w+|BEGIN IMMEDIATE|VACUUM|SELECT \w+\()",
    re.DOTALL,
)
SPEAKS_SQL = {
    "collector/share/relay/postgresql.py": "a receiver that is a PostgreSQL server",
    "collector/share/relay/postgresql_reading.py": "the same server, asked",
    "collector/share/relay/postgresql_schema.py": "its tables",
}


def texts_of(path: Path) -> Iterator[str]:
    """What stands in a module's strings, docstrings apart."""
    tree = parsed(path)
    said = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield "".join(part.value if isinstance(part, ast.Constant) else "x" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in said:
            yield node.value


def test_the_store_alone_speaks_sql() -> None:
    found = [
        f"{path.relative_to(ROOT)}: {text[:60]}"
        for path in sorted((ROOT / "collector").rglob("*.py"))
        if not path.is_relative_to(ROOT / "collector/store") and str(path.relative_to(ROOT)) not in SPEAKS_SQL
        for text in texts_of(path)
        if SQL.search(text)
    ]
    assert not found


MADE_BY_PLACE = {
    "collector/intake/decode.py Content",
    "collector/intake/repeats.py Row",
    "collector/intake/sayings.py Saying",
    "parsers/measurement.py Measurement",
    "parsers/stamps.py cls",
}
"""One of each for every payload of a journal: named tuples, of which mypy checks each place. Naming the parts takes two
to three times as long (docs/performance.md)."""


def test_a_value_of_more_than_four_parts_is_made_by_name() -> None:
    """construct's Struct takes as many parts as there are; `cls` makes a value as its name does."""
    found = {
        f"{path.relative_to(ROOT)} {ast.unparse(node.func)}"
        for room in ("collector", "parsers")
        for path in sorted((ROOT / room).rglob("*.py"))
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.Call) and len(node.args) > 4
        if (name := ast.unparse(node.func).rpartition(".")[2]) != "Struct" and (name[:1].isupper() or name == "cls")
    }
    assert found == MADE_BY_PLACE


SAME_NAME = {
    "adapter": "the machine's Bluetooth adapter, one module a radio",
    "cautions": "the cautions: their text, and showing them in a terminal",
    "device": "what a cuff is, as a peripheral and as the values that say so",
    "drawing": "drawing readings: on paper, on the page",
    "errors": "the errors of a room",
    "formats": "the formats of something: of exports, of characteristic values",
    "lifetime": "whether a link stands, one module a radio",
    "link": "the link to a cuff, one module a radio",
    "main": "a unit's own way in: the service's, the page's",
    "mqtt": "what goes to an MQTT broker: readings, notices",
    "radio": "a radio behind the port, one module each",
    "retention": "the rule of what goes: in the store, as a daily job",
    "settings": "settings read from the configuration: of receivers, of the service",
    "sittings": "readings taken in one go: as kept, as numbers",
    "text": "texts of a format: FHIR's, a characteristic's",
    "values": "the values that a room hands out",
    "visit": "one visit: its course with whatever radio, what a radio knows of it",
    "visits": "the visits of cuffs: in the journal, and as they are begun",
    "words": "the words of a room: for numbers, for bits",
}
"""Modules of one name mean one subject; here is which."""


def test_no_two_modules_of_one_name_mean_different_things() -> None:
    """A command's module is named by its command, whatever it is that the command is about."""
    paths = [*(ROOT / "collector").rglob("*.py"), *(ROOT / "parsers").glob("*.py")]
    names = [path.stem for path in paths if path.parent != ROOT / "collector/cli" and path.stem != "__init__"]
    twice = {name for name, count in Counter(names).items() if count > 1}
    assert not twice - SAME_NAME.keys(), "rename one of them, or say here what both mean"


def named_types(tree: ast.Module) -> Iterator[str]:
    """Classes, nested ones too, and names that a module gives to a type."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef):
            yield node.name
    for node in tree.body:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        for name in (target.id for target in targets if isinstance(target, ast.Name)):
            if name[0].isupper() and not name.isupper():
                yield name


def test_no_two_classes_have_one_name() -> None:
    paths = [*(ROOT / "collector").rglob("*.py"), *(ROOT / "parsers").rglob("*.py")]
    count = Counter(name for path in paths for name in named_types(parsed(path)))
    twice = {name for name, number in count.items() if number > 1}
    assert not twice, "rename one of them in the field's words, or let both rooms use one"


def test_a_double_class_is_found_wherever_it_hides() -> None:
    wrong = "Line = tuple[str, str]\nMOST = 3\nclass Line: ...\ndef f():\n    class Line: ...\n"
    assert Counter(named_types(ast.parse(wrong))) == {"Line": 3}


def test_the_check_itself_sees_a_wrong_import(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.py"
    wrong.write_text("from collector.cli import main\n", "utf-8")
    assert imported(wrong) == {"collector.cli"}
