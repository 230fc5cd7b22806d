"""What no series whatever changes of an average: the order of arrival, a day left out, the unit."""

from datetime import timedelta
from decimal import Decimal

import pytest
from homeseries import DAY_ONE, sample
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.numbers.average import average
from collector.numbers.protocols import PROTOCOLS, protocol
from collector.numbers.values import Sample

NICE = protocol("nice-ng136")


AMA = protocol("aha-ama-2020")


days = st.integers(1, 9)


readings = st.lists(
    st.tuples(
        days,
        st.sampled_from([7, 8, 19, 21]),
        st.integers(0, 59),
        st.integers(900, 2200),
        st.integers(400, 1300),
        st.sampled_from([(), ("irregular pulse",), ("body movement",)]),
    ),
    min_size=1,
    max_size=40,
    unique_by=lambda row: row[:3],
)


def built(rows: list[tuple[int, int, int, int, int, tuple[str, ...]]]) -> list[Sample]:
    return [
        sample(
            (DAY_ONE + timedelta(days=day)).replace(hour=hour, minute=minute),
            Decimal(s) / 10,
            Decimal(d) / 10,
            name=f"{day}-{hour}-{minute}",
            status=status,
        )
        for day, hour, minute, s, d, status in rows
    ]


@pytest.mark.parametrize("name", list(PROTOCOLS))
@settings(deadline=None)
@given(rows=readings, order=st.randoms(use_true_random=False))
def test_the_order_of_arrival_does_not_matter(
    name: str, rows: list[tuple[int, int, int, int, int, tuple[str, ...]]], order: object
) -> None:
    samples = built(rows)
    shuffled = list(samples)
    order.shuffle(shuffled)  # type: ignore[attr-defined]
    assert average(shuffled, PROTOCOLS[name]) == average(samples, PROTOCOLS[name])


@settings(deadline=None)
@given(rows=readings, minute=st.integers(0, 59), systolic=st.integers(60, 250), diastolic=st.integers(40, 150))
def test_a_reading_on_a_day_left_out_changes_no_mean(
    rows: list[tuple[int, int, int, int, int, tuple[str, ...]]], minute: int, systolic: int, diastolic: int
) -> None:
    samples = built(rows)
    opening = min(one.taken_at for one in samples)
    more = sample(opening.replace(hour=10, minute=minute), systolic, diastolic, name="more")
    period = {"first": opening.date()}
    before, after = average(samples, NICE, **period), average([*samples, more], NICE, **period)
    for name in (
        "systolic",
        "diastolic",
        "pulse",
        "used",
        "days_used",
        "used_ids",
        "morning",
        "evening",
        "spread",
        "these_days",
        "first_to_second",
        "load",
        "at_or_above",
    ):
        assert getattr(after, name) == getattr(before, name), name
    assert after.taken == before.taken + 1
    assert dict(after.excluded)["more"] == "day 1 is left out"


@settings(deadline=None)
@given(rows=st.lists(st.tuples(st.integers(140, 200), st.integers(50, 120)), min_size=1, max_size=28))
def test_the_unit_does_not_matter(rows: list[tuple[int, int]]) -> None:
    """A cuff that sends kPa with one decimal (SFLOAT, exponent -1) is right to 0.05 kPa, which is 0.375 mmHg."""
    per_kpa = Decimal("7.500615758456564")
    in_mmhg, in_kpa = [], []
    for number, (systolic, diastolic) in enumerate(rows):
        at = (DAY_ONE + timedelta(days=number // 2)).replace(hour=7 if number % 2 else 20)
        in_mmhg.append(sample(at, systolic, diastolic, name=str(number)))
        sent = [round(Decimal(value) / per_kpa, 1) * per_kpa for value in (systolic, diastolic)]
        in_kpa.append(sample(at, *sent, name=str(number)))
    one, other = (average(samples, AMA, first=DAY_ONE.date()) for samples in (in_mmhg, in_kpa))
    assert one.systolic is not None
    assert other.systolic is not None
    assert one.diastolic is not None
    assert other.diastolic is not None
    assert abs(one.systolic - other.systolic) <= Decimal("0.376")
    assert abs(one.diastolic - other.diastolic) <= Decimal("0.376")


@settings(deadline=None)
@given(rows=readings)
def test_every_reading_is_used_or_has_a_reason(rows: list[tuple[int, int, int, int, int, tuple[str, ...]]]) -> None:
    for rules in PROTOCOLS.values():
        found = average(built(rows), rules)
        assert len(found.used_ids) + len(found.excluded) == found.taken
        assert not set(found.used_ids) & {name for name, _ in found.excluded}
        assert sum(row.morning.used + row.evening.used for row in found.grid) == found.used
