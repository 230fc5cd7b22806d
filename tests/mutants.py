"""Faults put into the product on purpose, to see which of them its tests notice.

    python tests/mutants.py --sample 60 --seed 1
    python tests/mutants.py --sample 500 parsers collector/intake        # some rooms only; hours
    python tests/mutants.py --sample 100 --from 69 collector/store       # what a run that was cut short left

Works on a copy, room by room. First one run of the room's tests with coverage tells which test runs which line, and how
long it takes; then each fault is tried with the tests that run its line, quick ones first, as many as take --seconds
together, and what passes them with all of the room that take twice as long. Each try is a fork of one process that has
the libraries loaded. A fault that no test notices is a survivor: one line each. Those that docs/mutants.md explains, as
`file: was -> became`, are counted apart. Exit code 3: over 10 % unexplained. Ctrl-C tells what was found till then.

Own code: mutmut and cosmic-ray run the whole suite of a file for each fault, and neither takes a sample by a seed.
"""

import argparse
import ast
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

ROOT = Path(__file__).parents[1]
PRINTS = ("average", "average_worked", "change", "decode", "export_formats", "office", "readings", "relay", "report")
"""Commands that print what `collector/share` words."""
LENDING = ("tests/cli/test_loan.py", "tests/service/test_loan_return.py")
ROOMS = {
    "parsers": ("tests/parsers", "tests/standards/test_payload_vectors.py"),
    "collector/intake": ("tests/intake", "tests/store"),
    "collector/numbers": ("tests/numbers", "tests/standards"),
    "collector/store": ("tests/store", "tests/intake", *LENDING, "tests/share/test_relay_sending.py"),
    "collector/share": ("tests/share", *(f"tests/cli/test_{one}.py" for one in PRINTS)),
}
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult, ast.BitAnd: ast.BitOr,
}  # fmt: skip
Change = Callable[[ast.AST], None]
COVER = """import json, os, sys, time
sys.path.insert(0, '.')
import coverage, pytest
cov, took = coverage.Coverage(data_file=None, source=[sys.argv[1]], branch=False), {}
class ByTest:
    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item):
        cov.switch_context(item.nodeid)
        began = time.process_time()
        try:
            return (yield)
        finally:
            took[item.nodeid] = time.process_time() - began
            cov.switch_context('')
cov.start()
pytest.main(sys.argv[3:], plugins=[ByTest()])
cov.stop()
data = cov.get_data()
home = os.path.realpath('.')
lines = {os.path.relpath(file, home): data.contexts_by_lineno(file) for file in data.measured_files()}
json.dump([lines, took], open(sys.argv[2], 'w'))
"""
TRY = """import importlib, os, resource, sys
sys.dont_write_bytecode = True
sys.path.insert(0, '.')
for library in sys.argv[1:]:
    importlib.import_module(library)
import pytest
for words in sys.stdin:
    child = os.fork()
    if not child:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_CPU, (300, 300))
        null = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(null, stream)
        os._exit(int(pytest.main(words.rstrip().split('\\t'))))
    print(child, flush=True)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""
LIBRARIES = (
    "construct",
    "sqlite_utils",
    "typer.testing",
    "apscheduler",
    "hypothesis",
    "numpy",
    "reportlab.pdfgen.canvas",
)
QUIET = ("-x", "-q", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning")


@dataclass(frozen=True, slots=True)
class Place:
    """Where a fault can be put: the node's number in a walk of the module, and which of the changes there."""

    file: str
    line: int
    node: int
    change: int


@dataclass(frozen=True, slots=True)
class Mutant:
    place: Place
    was: str
    became: str
    text: str  # the whole module with the fault in it

    @property
    def name(self) -> str:
        return f"{self.place.file}: {self.was} -> {self.became}"


def places(file: str, text: str) -> Iterator[Place]:
    for number, node in enumerate(ast.walk(ast.parse(text))):
        for change, _ in enumerate(_changes(node)):
            yield Place(file, getattr(node, "lineno", 0), number, change)


def mutant(place: Place, text: str) -> Mutant | None:
    """One fault: a comparison, operator or condition turned round, a number one more, a call left out. None where
    that changes nothing."""
    tree = ast.parse(text)
    node = next(islice(ast.walk(tree), place.node, None))
    before = ast.unparse(node)
    next(islice(_changes(node), place.change, None))(node)
    after = ast.unparse(node)
    if after == before:
        return None
    was, became = (" ".join(one.splitlines()[0].split())[:90] for one in (before, after))
    return Mutant(place, was, became, ast.unparse(tree))


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


@dataclass(frozen=True, slots=True)
class Runs:
    lines: dict[str, dict[str, list[str]]]
    took: dict[str, float]

    def tests(self, place: Place, seconds: float) -> list[str]:
        """Those that run its line, quick ones first, as many as take so long together; one at least."""
        return self._quick(self.lines.get(place.file, {}).get(str(place.line), ()), seconds)

    def all(self, seconds: float) -> list[str]:
        """Of the whole room: what a module says once, when it is loaded, is looked at by tests that run none of it."""
        return self._quick(self.took, seconds)

    def _quick(self, tests: Iterable[str], seconds: float) -> list[str]:
        chosen: list[str] = []
        for test in sorted((one for one in tests if one in self.took), key=lambda one: (self.took[one], one)):
            seconds -= self.took[test]
            if chosen and seconds < 0:
                break
            chosen.append(test)
        return chosen


def runs(home: Path, room: str) -> Runs:
    out = home / "lines.json"
    command = [sys.executable, "-c", COVER, room, str(out), "-q", "-p", "no:cacheprovider", *ROOMS[room]]
    compiled = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    done = subprocess.run(command, cwd=home, capture_output=True, text=True, env=compiled)
    if not out.exists():
        raise SystemExit(f"the tests' own run failed:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    return Runs(*json.loads(out.read_text()))


class Tries:
    """The process that is forked for each try."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._parent = subprocess.Popen(
            [sys.executable, "-c", TRY, *LIBRARIES], cwd=home, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def survives(self, mutant: Mutant, tests: list[str]) -> bool:
        """Whether all of the tests pass with the fault in. A run that hangs has noticed it."""
        place = self._home / mutant.place.file
        whole, times = place.read_text("utf-8"), place.stat()
        place.write_text(mutant.text, "utf-8")
        try:
            return self._exit_code([*QUIET, *tests]) == 0
        finally:
            place.write_text(whole, "utf-8")
            os.utime(place, ns=(times.st_atime_ns, times.st_mtime_ns))  # its compiled form stays good

    def end(self) -> None:
        self._parent.communicate()

    def _exit_code(self, words: list[str]) -> int:
        asked, answered = self._parent.stdin, self._parent.stdout
        assert asked
        assert answered
        print("\t".join(words), file=asked, flush=True)
        child = int(answered.readline())
        # On a busy machine slow is no hang: of processor time a try has five minutes (see TRY).
        hung = threading.Timer(1500, os.killpg, (child, signal.SIGKILL))
        hung.start()
        try:
            return int(answered.readline())
        finally:
            hung.cancel()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("rooms", nargs="*", default=list(ROOMS))
    parser.add_argument("--sample", type=int, default=60, help="how many faults, as many in each room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--from", type=int, default=0, dest="first", help="leave out so many of each room's sample")
    parser.add_argument("--seconds", type=float, default=30, help="how long a line's tests may take together")
    wanted = parser.parse_args()
    explained = (ROOT / "docs/mutants.md").read_text("utf-8")
    counted = {"noticed": 0, "explained": 0, "survived": 0}
    with tempfile.TemporaryDirectory() as scratch, suppress(KeyboardInterrupt):  # what was found till then is told
        home = Path(scratch) / "copy"
        shutil.copytree(ROOT, home, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache"))
        for room in wanted.rooms:
            done = runs(home, room)
            texts = {
                str(path.relative_to(home)): path.read_text("utf-8") for path in sorted((home / room).rglob("*.py"))
            }
            every = [place for file in texts for place in places(file, texts[file]) if done.tests(place, 0)]
            random.Random(wanted.seed).shuffle(every)
            faults = (mutant(place, texts[place.file]) for place in every)
            chosen = list(islice((one for one in faults if one), wanted.first, wanted.sample // len(wanted.rooms)))
            tries = Tries(home)
            for number, one in enumerate(chosen, 1):
                fate = "noticed"
                near = done.tests(one.place, wanted.seconds)
                if tries.survives(one, near) and tries.survives(one, done.all(2 * wanted.seconds)):
                    fate = "explained" if one.name in explained else "survived"
                    print(f"{fate}: {one.name} (line {one.place.line})", flush=True)
                counted[fate] += 1
                if sys.stderr.isatty():
                    print(f"\r{room}: {number} of {len(chosen)}", end="", file=sys.stderr, flush=True)
            tries.end()
            print(f"{room}: {len(chosen)} of some {len(every)} faults tried; so far {counted}", flush=True)
    tried = sum(counted.values())
    print(f"{tried} faults: " + ", ".join(f"{count} {fate}" for fate, count in counted.items()))
    return 3 if counted["survived"] * 10 > tried else 0


if __name__ == "__main__":
    sys.exit(main())
