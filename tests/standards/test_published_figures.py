"""Every published figure, field by field, with where it stands: a changed figure fails here and nowhere else.

'memory' marks what could not be read in the source and has to be said so in the protocol; 'ours' what the source leaves
open. The numbers of days, readings and mmHg are typed here a second time, from the sources and not from the code.
"""

from decimal import Decimal
from typing import Any

import pytest

from collector.numbers import chance, change, levels, log_digits, office_home, rules, usual
from collector.numbers.protocols import PROTOCOLS

ESH = "Stergiou and others, J Clin Hypertens 2018;20:1116, table 3 (PMC8030885)"
AMA = "AMA seven-step guide; AHA/AMA programme pages"
ACC = "Circ Res 2021, table 2 (PMC8034801)"
NICE = "NICE NG136, recommendation 1.2.7, as quoted by GP notebook and Mahtani and others 2015 (from memory)"
KYRIAKOULIS = "Kyriakoulis and others, J Hypertens 2022, abstract (page not looked up): most guidelines"
JSH = "Imai and others, Hypertens Res 2003;26:771; Korean Society of Hypertension 2018"
KARIO = "Kario 2019 (PMC6875598)"
CHEP = "Leung and others, Can J Cardiol 2017;33:557; CMAJ 2021 (PMC8342011)"
TAIWAN = "2020 Taiwan consensus, table 1 (PMC7677637)"
DOANE = "Doane and others, J Am Board Fam Med 2018;31:375, table 1"
MEMORY, OURS = "memory", "ours"

FIGURES: dict[str, dict[str, tuple[Any, str]]] = {
    "esh-2023": {
        "threshold": ("135/85", ESH),
        "target": (None, "none found with certainty"),
        "min_days": (3, MEMORY),
        "preferred_days": (7, MEMORY),
        "per_session": (2, ESH),
        "gap_s": (60, ESH),
        "drop_days": ((1,), ESH),
        "min_readings_used": (12, OURS),
        "averaging": ("pooled", ESH),
    },
    "aha-ama-2020": {
        "threshold": ("130/80", AMA),
        "target": ("130/80", AMA),
        "min_days": (3, AMA),
        "preferred_days": (7, AMA),
        "per_session": (2, AMA),
        "gap_s": (60, AMA),
        "drop_days": ((), AMA),
        "min_readings": (12, AMA),
        "averaging": ("pooled", AMA),
    },
    "acc-aha-2017": {
        "threshold": ("130/80", ACC),
        "target": ("130/80", ACC),
        "min_days": (2, OURS),
        "preferred_days": (7, OURS),
        "min_readings": (4, OURS),
        "per_session": (2, ACC),
        "gap_s": (60, ACC),
        "drop_days": ((), ACC),
    },
    "nice-ng136": {
        "threshold": ("135/85", NICE),
        "second_threshold": ("150/95", NICE),
        "target": ("135/85", MEMORY),
        "target_for_age": ((80, "145/85"), MEMORY),
        "min_days": (4, NICE),
        "preferred_days": (7, NICE),
        "per_session": (2, NICE),
        "gap_s": (60, NICE),
        "drop_days": ((1,), NICE),
        "min_readings_used": (12, OURS),
    },
    "ish-2020": {
        "threshold": ("135/85", MEMORY),
        "target": (None, "none given"),
        "min_days": (3, MEMORY),
        "preferred_days": (7, MEMORY),
        "per_session": (2, MEMORY),
        "gap_s": (60, MEMORY),
        "drop_days": ((1,), MEMORY),
    },
    "jsh-2019": {
        "threshold": ("135/85", MEMORY),
        "target": ("125/75", KARIO),
        "target_for_age": ((75, "135/85"), KARIO),
        "min_days": (5, MEMORY),
        "preferred_days": (7, MEMORY),
        "per_session": (2, MEMORY),
        "drop_days": ((), MEMORY),
        "averaging": ("separate", JSH),
    },
    "canada-2020": {
        "threshold": ("135/85", CHEP),
        "min_days": (7, CHEP),
        "preferred_days": (7, CHEP),
        "per_session": (2, CHEP),
        "drop_days": ((1,), CHEP),
        "min_readings": (28, CHEP),
        "min_readings_used": (24, CHEP),
    },
    "taiwan-2020": {
        "threshold": ("135/85", MEMORY),
        "target": ("130/80", MEMORY),
        "min_days": (4, TAIWAN),
        "preferred_days": (7, TAIWAN),
        "per_session": (2, TAIWAN),
        "af_per_session": (3, TAIWAN),
        "gap_s": (60, TAIWAN),
        "drop_days": ((1,), TAIWAN),
        "averaging": ("separate", TAIWAN),
    },
    "doane-2018": {
        "threshold": ("135/85", DOANE),
        "min_days": (5, DOANE),
        "preferred_days": (5, DOANE),
        "per_session": (3, DOANE),
        "gap_s": (60, DOANE),
        "drop_days": ((1, 2), DOANE),
        "drop_first_of_session": (True, DOANE),
        "min_readings_used": (12, DOANE),
        "consecutive_days": (True, DOANE),
    },
}
NOT_IN_THE_TABLE = {
    "target": None,
    "target_for_age": None,
    "second_threshold": None,
    "af_per_session": None,
    "min_readings": None,
    "min_readings_used": None,
    "drop_first_of_session": False,
    "keep_first_if_alone": False,
    "both_sessions": True,
    "consecutive_days": False,
    "averaging": "pooled",
    "gap_s": 60,
    "drop_days": (),
}
"""What a protocol has in a field that its table leaves out: its source says nothing of it."""


def as_typed(value: Any) -> Any:
    if isinstance(value, rules.ForAge):
        return value.age, str(value.target)
    return str(value) if isinstance(value, rules.Pressures) else value


def test_every_protocol_has_its_table() -> None:
    assert FIGURES.keys() == PROTOCOLS.keys()


@pytest.mark.parametrize("name", list(FIGURES))
def test_each_figure_is_the_published_one(name: str) -> None:
    found = PROTOCOLS[name]
    for field in {*NOT_IN_THE_TABLE, *FIGURES[name]}:
        wanted = FIGURES[name].get(field, (NOT_IN_THE_TABLE.get(field),))[0]
        assert as_typed(getattr(found, field)) == wanted, field


@pytest.mark.parametrize("name", list(FIGURES))
def test_what_is_from_memory_or_our_choice_says_so(name: str) -> None:
    found = PROTOCOLS[name]
    for field, (_, source) in FIGURES[name].items():
        assert (field in found.from_memory) == (source == MEMORY), field
        assert source != OURS or field in found.our_choice, field


def test_levels_and_equivalents() -> None:
    """AHA page for patients; AHA/ACC 2025, pocket guide, table 7; NICE NG136; common practice."""
    assert (str(levels.VERY_HIGH), str(levels.LOW)) == ("180/120", "90/60")
    assert [(str(office), str(home)) for office, home in levels.OFFICE_TO_HOME] == [
        ("120/80", "120/80"),
        ("130/80", "130/80"),
        ("140/90", "135/85"),
        ("160/100", "145/90"),
    ]
    assert str(office_home.WHITE_COAT_EFFECT) == "20/10"
    assert rules.AF_PER_SESSION == 3  # British and Irish Hypertension Society 2019


def test_the_parts_of_the_model() -> None:
    """NHANES 2009-12 (computed), Ohasama (Kato and others, Am J Hypertens 2010;23:980), Asayama 2021 (journal not
    looked up); the rest are assumptions, named so."""
    parts = [(one.reading, one.session, one.day, one.slow, one.office) for one in (usual.SYSTOLIC, usual.DIASTOLIC)]
    assert parts == [(4.1, 5.0, 5.5, 3.5, 10.8), (3.6, 3.0, 3.4, 2.2, 6.5)]
    for one, published in ((usual.SYSTOLIC, 8.6), (usual.DIASTOLIC, 5.8)):
        whole = one.reading**2 + one.session**2 + one.day**2 + one.slow**2
        assert whole**0.5 == pytest.approx(published, abs=0.7)  # one morning reading, from day to day
    assert (usual.DAY_CORRELATION, usual.DRIFT_DAYS, usual.PRIOR_DAYS) == (0.4, 42.0, 6.0)
    assert (chance.TOGETHER, chance.CLEAR, chance.LIKELY) == (0.65, 0.95, 0.80)
    assert (change.CLEAR, change.LIKELY, change.PEOPLE) == (0.975, 0.90, ((132.0, 12.0), (81.0, 8.0)))
    assert (office_home.OFFICE_LESS_HOME, office_home.DIFFERENCE_SD) == ((5.0, 3.0), (9.0, 6.0))
    digits = (log_digits.LEAST_READINGS, log_digits.UNLIKELY, log_digits.ROUND_SHARE, log_digits.ALL_EVEN_SHARE)
    assert digits == (12, 0.001, 0.20, 0.35)
    assert Decimal(office_home.APART) == 10
