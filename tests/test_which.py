"""Which test a module has: one of its own name, else the one that tests/which.txt says. None is without."""

from collections import Counter
from pathlib import Path

TESTS = Path(__file__).parent
ROOT = TESTS.parent
MODULES = {
    path.relative_to(ROOT).with_suffix("")
    for room in ("collector", "parsers")
    for path in (ROOT / room).rglob("*.py")
    if path.stem != "__init__" and path.parent.name != "migrations"  # all of these: tests/store/test_kept_stores.py
}
NAMES = {path.stem.removeprefix("test_") for path in TESTS.rglob("test_*.py")}
LINES = [line for line in (TESTS / "which.txt").read_text().splitlines() if line and not line.startswith("#")]
SAID = [(line.split(":")[0], module) for line in LINES for module in line.split(":")[1].split()]


def has_its_own(module: Path) -> bool:
    wanted = (module.stem, *(f"{folder}_{module.stem}" for folder in module.parts[:-1]))
    return any(name == one or name.startswith(f"{one}_") for one in wanted for name in NAMES)


def module_of(said: str) -> Path:
    return Path(said) if said.startswith("parsers/") else Path("collector") / said


def test_every_module_has_its_test_and_one_only() -> None:
    said = Counter(module_of(module) for _, module in SAID)
    own = {module for module in MODULES if has_its_own(module)}
    assert sorted(map(str, MODULES - own - set(said))) == []
    assert sorted(map(str, set(said) - MODULES)) == [], "no such module"
    assert [module for module, times in said.items() if times > 1] == []


def test_each_test_named_there_exists() -> None:
    assert [test for test, _ in SAID if not (TESTS / f"{test}.py").exists()] == []
