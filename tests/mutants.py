"""Faults put into the product on purpose, to see which of them its tests notice.

    python tests/mutants.py --sample 60 --seed 1
    python tests/mutants.py --sample 500 parsers collector/intake        # some rooms only; hours

Works on a copy. First one run of the rooms' tests with coverage tells which test runs which line; then each fault is
tried with the tests that run its line, up to --most of them. A fault that no test notices is a survivor: one line each.
Those that docs/mutants.md explains, as `file: was -> became`, are counted apart. Exit code 3: over 10 % unexplained.

Own code: mutmut and cosmic-ray run the whole suite of a file for each fault, and neither takes a sample by a seed.
"""

import argparse
import ast
import copy
import json
import random
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
ROOMS = {
    "parsers": ("tests/parsers", "tests/standards/test_payload_vectors.py"),
    "collector/intake": ("tests/intake", "tests/store"),
    "collector/numbers": ("tests/numbers", "tests/standards"),
    "collector/store": ("tests/store", "tests/intake"),
    "collector/share": ("tests/share",),
}
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult, ast.BitAnd: ast.BitOr,
}  # fmt: skip
Change = Callable[[ast.AST], None]
RUN = "import sys, pytest; sys.path.insert(0, '.'); sys.exit(pytest.main(sys.argv[1:]))"
COVER = """import json, sys
sys.path.insert(0, '.')
import coverage, pytest
cov = coverage.Coverage(data_file=None, source=json.loads(sys.argv[1]), branch=False)
class ByTest:
    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item):
        cov.switch_context(item.nodeid)
        try:
            return (yield)
        finally:
            cov.switch_context('')
cov.start()
pytest.main(sys.argv[3:], plugins=[ByTest()])
cov.stop()
data = cov.get_data()
json.dump({file: data.contexts_by_lineno(file) for file in data.measured_files()}, open(sys.argv[2], 'w'))
"""


@dataclass(frozen=True, slots=True)
class Mutant:
    file: str
    line: int
    was: str
    became: str
    text: str  # the whole module with the fault in it

    @property
    def name(self) -> str:
        return f"{self.file}: {self.was} -> {self.became}"


def mutants(file: str, text: str) -> Iterator[Mutant]:
    """Each one fault: a comparison, operator or condition turned round, a number one more, a call left out."""
    tree = ast.parse(text)
    for number, node in enumerate(ast.walk(tree)):
        for change in _changes(node):
            faulty = copy.deepcopy(tree)
            twin = next(one for at, one in enumerate(ast.walk(faulty)) if at == number)
            before, line = ast.unparse(twin), getattr(node, "lineno", 0)
            change(twin)
            after = ast.unparse(twin)
            if after != before:
                was, became = (" ".join(one.splitlines()[0].split())[:90] for one in (before, after))
                yield Mutant(file, line, was, became, ast.unparse(faulty))


def _changes(node: ast.AST) -> Iterator[Change]:
    if isinstance(node, ast.Compare | ast.BoolOp | ast.BinOp):
        count = len(node.ops) if isinstance(node, ast.Compare) else 1
        yield from (_swap(place) for place in range(count))
    elif isinstance(node, ast.If | ast.IfExp | ast.While):
        yield _negate
    elif isinstance(node, ast.Constant) and type(node.value) is int:
        yield _one_more
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield _leave_out


def _swap(place: int) -> Change:
    def change(node: ast.AST) -> None:
        if isinstance(node, ast.Compare):
            node.ops[place] = SWAPS.get(type(node.ops[place]), type(node.ops[place]))()  # type: ignore[call-overload]
        elif isinstance(node, ast.BoolOp | ast.BinOp):
            node.op = SWAPS.get(type(node.op), type(node.op))()  # type: ignore[assignment]

    return change


def _negate(node: ast.AST) -> None:
    node.test = ast.UnaryOp(ast.Not(), node.test)  # type: ignore[attr-defined]


def _one_more(node: ast.AST) -> None:
    node.value += 1  # type: ignore[attr-defined]


def _leave_out(node: ast.AST) -> None:
    node.value = ast.Constant(None)  # type: ignore[attr-defined]


def lines_by_test(home: Path, rooms: list[str]) -> dict[str, dict[int, list[str]]]:
    """file: line: the tests that run it."""
    tests = sorted({test for room in rooms for test in ROOMS[room]})
    out = home / "lines.json"
    command = [sys.executable, "-c", COVER, json.dumps(rooms), str(out), "-q", "-p", "no:cacheprovider", *tests]
    done = subprocess.run(command, cwd=home, capture_output=True, text=True)
    if not out.exists():
        raise SystemExit(f"the tests' own run failed:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    found: dict[str, dict[int, list[str]]] = defaultdict(dict)
    for file, lines in json.loads(out.read_text()).items():
        for line, tests_of_line in lines.items():
            found[str(Path(file).relative_to(home.resolve()))][int(line)] = [test for test in tests_of_line if test]
    return found


def survives(home: Path, mutant: Mutant, tests: list[str]) -> bool:
    """Whether all of the tests pass with the fault in. A run that hangs has noticed it."""
    place = home / mutant.file
    whole = place.read_text("utf-8")
    place.write_text(mutant.text, "utf-8")
    try:
        command = [sys.executable, "-B", "-c", RUN, "-x", "-q", "-p", "no:cacheprovider", *tests]
        return subprocess.run(command, cwd=home, capture_output=True, timeout=180).returncode == 0
    except subprocess.TimeoutExpired:
        return False
    finally:
        place.write_text(whole, "utf-8")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("rooms", nargs="*", default=list(ROOMS))
    parser.add_argument("--sample", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--most", type=int, default=40, help="how many of a line's tests are run at most")
    wanted = parser.parse_args()
    explained = (ROOT / "docs/mutants.md").read_text("utf-8")
    with tempfile.TemporaryDirectory() as scratch:
        home = Path(scratch) / "copy"
        shutil.copytree(ROOT, home, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache"))
        running = lines_by_test(home, wanted.rooms)
        every = [
            mutant
            for room in wanted.rooms
            for path in sorted((home / room).rglob("*.py"))
            for mutant in mutants(str(path.relative_to(home)), path.read_text("utf-8"))
            if mutant.line in running.get(mutant.file, {}) and running[mutant.file][mutant.line]
        ]
        chosen = random.Random(wanted.seed).sample(every, min(wanted.sample, len(every)))
        counted = {"noticed": 0, "explained": 0, "survived": 0}
        for number, mutant in enumerate(chosen, 1):
            tests = sorted(running[mutant.file][mutant.line])
            tests = random.Random(wanted.seed).sample(tests, min(wanted.most, len(tests)))
            fate = "noticed"
            if survives(home, mutant, tests):
                fate = "explained" if mutant.name in explained else "survived"
                print(f"{fate}: {mutant.file}:{mutant.line}: {mutant.was} -> {mutant.became}", flush=True)
            counted[fate] += 1
            if sys.stderr.isatty():
                print(f"\r{number} of {len(chosen)}", end="", file=sys.stderr, flush=True)
    print(f"{len(chosen)} of {len(every)} faults: " + ", ".join(f"{count} {fate}" for fate, count in counted.items()))
    return 3 if counted["survived"] * 10 > len(chosen) else 0


if __name__ == "__main__":
    sys.exit(main())
