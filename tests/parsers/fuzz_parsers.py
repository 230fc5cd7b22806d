"""Hostile octets for every parser: nothing but a ParseError, whatever comes.

    python tests/parsers/fuzz_parsers.py -runs=10000000           coverage-guided (pip install atheris)
    python tests/parsers/fuzz_parsers.py --keep -runs=10000000    and keep what reached new ground
    python tests/parsers/fuzz_parsers.py --plain 10000000         random and damaged octets, no atheris

Arguments with one dash go to libFuzzer. Kept inputs stand in fixtures/corpus and are checked in every
ordinary test run. Exit 0: nothing found. A finding is printed and ends the run.
"""

import shlex
import subprocess
import sys
import tempfile
import time
from pathlib import Path

LONGEST = "-max_len=96"


def run_plain(count: int) -> None:
    from hostile import check, inputs

    start = time.monotonic()
    for done, data in enumerate(inputs(count), 1):
        try:
            check(data)
        except BaseException:
            print(f"found: {data.hex()}", file=sys.stderr)
            raise
        if done % 500_000 == 0 and sys.stderr.isatty():
            print(f"\r{done:,} inputs, {done / (time.monotonic() - start):,.0f}/s ", end="", file=sys.stderr)
    print(f"{count:,} inputs in {time.monotonic() - start:.0f} s, nothing found")


def run_guided(arguments: list[str], keep: bool) -> int:
    """libFuzzer leaves the process at its end, so it runs in a child; then the corpus is made small."""
    from hostile import CORPUS, seeds

    child = [sys.executable, str(Path(__file__).resolve()), "--child", LONGEST]
    with tempfile.TemporaryDirectory() as folder:
        grown, small = Path(folder, "grown"), Path(folder, "small")
        grown.mkdir()
        small.mkdir()
        for place, data in enumerate(seeds()):
            (grown / f"seed{place}").write_bytes(data)
        code = subprocess.run([*child, *arguments, str(grown)], cwd=folder, check=False).returncode
        for crash in Path(folder).glob("crash-*"):
            print(f"found: {crash.read_bytes().hex()}", file=sys.stderr)
        if keep and code == 0:
            subprocess.run([*child, "-merge=1", str(small), str(grown)], cwd=folder, check=True)
            lines = sorted({file.read_bytes().hex() for file in small.iterdir()} - {""})
            head = "# Inputs of tests/parsers/fuzz_parsers.py that reach ground of their own, as hex.\n"
            CORPUS.write_text(head + "\n".join(lines) + "\n", "utf-8")
        return code


def run_child(arguments: list[str]) -> None:
    import atheris

    with atheris.instrument_imports(include=["parsers"]):
        from hostile import check
    # A merge starts its name again as a command, so the name has to be one.
    atheris.Setup([f"{shlex.quote(sys.executable)} {shlex.quote(__file__)} --child", *arguments], check)
    atheris.Fuzz()


def main(arguments: list[str]) -> int:
    if arguments[:1] == ["--child"]:
        run_child(arguments[1:])
    elif arguments[:1] == ["--plain"]:
        run_plain(int(arguments[1]))
    else:
        return run_guided([argument for argument in arguments if argument != "--keep"], "--keep" in arguments)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
