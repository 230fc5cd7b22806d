"""The table of errors in docs/time.md: simulated cuffs, the times intake gives, the truth.

nice python tests/support/time_table.py [LIVES]
"""

import random
import statistics
import sys
from collections.abc import Iterator
from pathlib import Path

from cuffworld import FAULTS, Fault, Life, Verdict, World, verdicts
from fresh import folder, fresh

KINDS = (
    # name, how the clock is read, who sets it
    ("clock read at each visit", ("current time", "date time"), ("never",)),
    ("clock read, and set by the listener", ("current time", "date time"), ("when wrong", "always")),
    ("clock cannot be read, live records", ("",), ("never",)),
)


def some_lives(count: int, read: tuple[str, ...], set_clock: tuple[str, ...]) -> Iterator[Life]:
    for number in range(count):
        chance = random.Random(number)
        yield Life(
            seed=chance.randrange(2**32), days=chance.choice((60, 200, 500)), drift=chance.randint(-50, 50),
            first=chance.choice(("right", "hours off", "never set")), read=chance.choice(read),
            faults=tuple(Fault(chance.randint(1, 500), chance.choice(FAULTS)) for _ in range(chance.randint(0, 8))),
            every=chance.choice((0.4, 1.5, 5.0)), late=chance.choice((0.0, 0.3, 0.6)),
            set_clock=chance.choice(set_clock), newest_first=chance.random() < 0.5,
        )  # fmt: skip


def lived(life: Life) -> list[Verdict]:
    with folder() as base, fresh(Path(base) / "store.db") as store:
        world = World(store, life)
        world.play()
        return verdicts(world)


def main(count: int) -> None:
    print("| cuff | readings | sure | of these: median error | 99 % within | worst | beyond its own uncertainty |")
    print("|---|---|---|---|---|---|---|")
    for name, read, set_clock in KINDS:
        found = [verdict for life in some_lives(count, read, set_clock) for verdict in lived(life)]
        errors = sorted(verdict.error for verdict in found if verdict.relied)
        broken = sum(not verdict.kept_its_word for verdict in found)
        within = errors[int(len(errors) * 0.99)]
        print(f"| {name} | {len(found):,} | {len(errors) / len(found):.1%} | {statistics.median(errors):.1f} s "
              f"| {within:.1f} s | {errors[-1]:.1f} s | {broken} |", flush=True)  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 100)
