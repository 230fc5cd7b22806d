"""Standing against sitting: a reading marked as taken standing, beside the last one taken sitting before it.

Usual criterion of orthostatic hypotension: a fall of 20 mmHg systolic or 10 diastolic, sustained, within three minutes
of standing (Freeman and others, consensus statement, Clin Auton Res 2011;21:69, page from memory). It is for lying
first; from sitting a fall is smaller, and 15 or 7 fits best there (Shaw and others, J Hypertens 2017;35:1019,
PMC5542884). When a person stood up is not known: only what was taken within three minutes of the reading taken sitting
is surely within three minutes of standing, and only that is held against the criterion.
"""

from dataclasses import dataclass
from datetime import UTC
from decimal import Decimal

from collector.numbers.selecting import Selected, has_value
from collector.numbers.values import Sample

SYSTOLIC_FALL, DIASTOLIC_FALL = 20, 10
WITHIN_S = 180


@dataclass(frozen=True, slots=True)
class OnStanding:
    """Two readings of one sitting; mmHg, standing less sitting, and the seconds between them."""

    sitting: Sample
    standing: Sample
    systolic: Decimal
    diastolic: Decimal

    @property
    def after_s(self) -> float:
        return (self.standing.taken_at.astimezone(UTC) - self.sitting.taken_at.astimezone(UTC)).total_seconds()

    @property
    def meets(self) -> bool | None:
        """None: too long after to be judged."""
        if self.after_s > WITHIN_S:
            return None
        return self.systolic <= -SYSTOLIC_FALL or self.diastolic <= -DIASTOLIC_FALL


def on_standing(chosen: Selected, flags: frozenset[str]) -> tuple[OnStanding, ...]:
    """All of the period. flags: of the cuff, that make a reading unfit."""
    found = []
    for sitting in chosen.sittings:
        seated: Sample | None = None
        for one in sitting.samples:
            if not has_value(one) or one.status & flags or one.odd:
                continue
            if one.upright and seated:
                found.append(_pair(seated, one))
            elif not one.void:
                seated = one
    return tuple(found)


def _pair(seated: Sample, upright: Sample) -> OnStanding:
    assert seated.systolic is not None
    assert seated.diastolic is not None
    assert upright.systolic is not None
    assert upright.diastolic is not None
    return OnStanding(seated, upright, upright.systolic - seated.systolic, upright.diastolic - seated.diastolic)
