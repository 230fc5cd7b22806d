"""How often the 95 % interval of the usual pressure holds it, in simulated people: python tests/bench/bench_coverage.py

Invented people whose usual pressure is known, measured twice in the morning and twice in the evening; 16 cells of what
is not known of a person: correlation of the day part 0 to 0.6 and SD of the slow drift 0 to 4.5 mmHg. People differ in
their spread by a third. Beside it the plain t interval of the same days, which says how well these days are known.
"""

import sys

import numpy

from collector.numbers import descriptive
from collector.numbers.usual import DRIFT_DAYS, SYSTOLIC, DayMeans, usual

CORRELATIONS = (0.0, 0.2, 0.4, 0.6)
DRIFTS = (0.0, 1.5, 3.0, 4.5)
SHAPES = {
    "3 days": range(3),
    "6 days": range(6),
    "7 days": range(7),
    "7 days, every 2nd": range(0, 14, 2),
    "7 + 7, three weeks apart": [*range(7), *range(28, 35)],
    "14 days": range(14),
    "28 days": range(28),
    "90 days": range(90),
}
SEED = 2718


def main(people: int = 400) -> None:
    dice = numpy.random.default_rng(SEED)
    print(f"{people} people a cell; coverage in %: average of 16 cells (lowest), half the width in mmHg")
    for name, days in SHAPES.items():
        cells = [cell(list(days), r, drift, people, dice) for r in CORRELATIONS for drift in DRIFTS]
        ours, plain, widths, plain_widths = (numpy.array(part) for part in zip(*cells, strict=True))
        print(
            f"{name:25} {100 * ours.mean():5.1f} ({100 * ours.min():.1f})  +-{widths.mean():4.1f}   "
            f"plain {100 * plain.mean():5.1f} ({100 * plain.min():.1f})  +-{plain_widths.mean():4.1f}",
            flush=True,
        )


def cell(
    days: list[int], correlation: float, drift: float, people: int, dice: numpy.random.Generator
) -> tuple[float, float, float, float]:
    """Share of people whose usual pressure lies inside, ours and plain, and half the widths."""
    at = numpy.array(days)
    apart = abs(at[:, None] - at[None, :])
    fast = numpy.linalg.cholesky(correlation**apart + 1e-9 * numpy.eye(len(at)) if correlation else numpy.eye(len(at)))
    slow = numpy.linalg.cholesky(numpy.exp(-apart / DRIFT_DAYS) + 1e-9 * numpy.eye(len(at)))
    noise = (SYSTOLIC.session**2 / 2 + SYSTOLIC.reading**2 / 4) ** 0.5
    inside = plain_inside = width = plain_width = 0.0
    for _ in range(people):
        spread = max(0.2, dice.normal(1, 0.33))
        means = spread * (SYSTOLIC.day * fast @ dice.normal(size=len(at)) + noise * dice.normal(size=len(at)))
        means = means + drift * slow @ dice.normal(size=len(at))
        found = usual(DayMeans(tuple(means), tuple(days), sessions=2, readings=4), SYSTOLIC)
        margin = descriptive.margin(list(means))
        inside += found.low <= 0 <= found.high
        plain_inside += abs(found.mean) <= margin
        width += found.reach
        plain_width += margin
    return inside / people, plain_inside / people, width / people, plain_width / people


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
