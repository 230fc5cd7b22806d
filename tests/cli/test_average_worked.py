"""Worked cases through `import`, `office` and `average --json`, in zones far apart: the expected values are reckoned by
hand from the published rules (sources in tests/standards/test_published_figures.py), the arithmetic stands beside."""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result
from worked_logs import SURVEY, Row, log

Run = Callable[..., Result]
ZONES = ("Pacific/Kiritimati", "America/St_Johns", "UTC")  # St John's puts its clocks on within the week below


def at(day: int, clock: str, systolic: object, diastolic: object) -> Row:
    return f"2026-03-{day:02}T{clock}", systolic, diastolic


def day(number: int, *readings: tuple[object, object], clocks: str = "07:00 07:01 20:00 20:01") -> list[Row]:
    return [at(number, clock, *one) for clock, one in zip(clocks.split(), readings, strict=True)]


def week(*readings: tuple[object, object], days: int = 7, first: int = 3) -> list[Row]:
    """Every day alike: two in the morning, two in the evening."""
    return [row for number in range(first, first + days) for row in day(number, *readings)]


def flat(systolic: int, diastolic: int, days: int = 7) -> list[Row]:
    return week(*[(systolic, diastolic)] * 4, days=days)


@pytest.fixture(params=ZONES)
def zone(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def told(quietcuff: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., dict[str, Any]]:
    """The object that `average --json` prints of an invented log. visits: (day, readings) kept by `office add`."""

    def run(
        rows: Sequence[Row], *args: str, config: str = "", zone: str = "UTC", visits: Sequence[tuple[str, str]] = ()
    ) -> dict[str, Any]:
        monkeypatch.setenv("TZ", zone)
        (tmp_path / "c.toml").write_text(config)
        around = ("--store", str(tmp_path / "s.db"), "--config", str(tmp_path / "c.toml"))
        steps: list[tuple[str, ...]] = [] if (tmp_path / "s.db").exists() else [("person", "add", "mira")]
        steps.append(("import", log(tmp_path, rows), "mira"))
        steps += [("office", "add", "mira", *readings.split(), "--on", on) for on, readings in visits]
        for step in steps:
            done = quietcuff(*around, *step)
            assert done.exit_code == 0, done.stderr
        found: dict[str, Any] = json.loads(quietcuff(*around, "average", "mira", *args, "--json").stdout)
        return found

    return run


Told = Callable[..., dict[str, Any]]

HIGH_FIRST_DAY = day(3, *[(150, 95)] * 4) + week((136, 84), (132, 82), (130, 80), (128, 78), days=6, first=4)
"""Later days: morning 134/83, evening 129/79, of all 131.5/81."""


@pytest.mark.parametrize(
    ("rules", "used", "systolic", "diastolic", "high", "last_ten"),
    [
        # day 1 goes: (136 + 132 + 130 + 128) / 4; of the last ten, 136 on days 6 and 7 reaches 135
        ("esh-2023", 24, 131.5, 81, False, 2),
        ("nice-ng136", 24, 131.5, 81, False, 2),
        ("ish-2020", 24, 131.5, 81, False, 2),
        ("canada-2020", 24, 131.5, 81, False, 2),
        # all: (24 * 131.5 + 4 * 150) / 28 and (24 * 81 + 4 * 95) / 28; 136, 132 and 130 reach 130, 7 of the last ten
        ("aha-ama-2020", 28, 3756 / 28, 2324 / 28, True, 7),
        ("acc-aha-2017", 28, 3756 / 28, 2324 / 28, True, 7),
        # apart: the morning (6 * 268 + 300) / 14 = 136.3 is high, the evening (6 * 258 + 300) / 14 = 132 is not
        ("jsh-2019", 28, (1908 / 14 + 1848 / 14) / 2, (1186 / 14 + 1138 / 14) / 2, True, 2),
        ("taiwan-2020", 24, 131.5, 81, False, 2),
    ],
)
def test_one_week_by_every_rule(
    told: Told, zone: str, rules: str, used: int, systolic: float, diastolic: float, high: bool, last_ten: int
) -> None:
    found = told(HIGH_FIRST_DAY, "-p", rules, zone=zone)
    assert (found["taken"], found["used"], found["days"], found["missing_sessions"]) == (28, used, 7, 0)
    assert (found["from"], found["to"], found["valid"]) == ("2026-03-03", "2026-03-09", True)
    assert (found["systolic"], found["diastolic"]) == pytest.approx((systolic, diastolic))
    assert (found["at_or_above"], found["last_ten"]) == (high, last_ten)
    assert found["pulse_pressure"] == pytest.approx(systolic - diastolic)
    assert found["mean_pressure_estimate"] == pytest.approx(diastolic + (systolic - diastolic) / 3)


def test_three_a_sitting_without_the_first_and_the_first_two_days(told: Told, zone: str) -> None:
    """Doane 2018: days 3 to 5, second and third readings: (134 + 132 + 128 + 126) / 4."""
    clocks = "07:00 07:01 07:02 20:00 20:01 20:02"
    ones = [(150, 90), (134, 82), (132, 80), (150, 90), (128, 78), (126, 76)]
    rows = [row for number in range(3, 8) for row in day(number, *ones, clocks=clocks)]
    found = told(rows, "-p", "doane-2018", zone=zone)
    assert (found["used"], found["valid"], found["systolic"], found["diastolic"]) == (12, True, 130, 79)


@pytest.mark.parametrize(
    ("rows", "rules", "short_of"),
    [
        (flat(140, 80, days=3), "nice-ng136", ["1 more day with readings (3 of 4)"]),
        (flat(140, 80, days=4), "nice-ng136", []),
        (flat(140, 80, days=3), "aha-ama-2020", []),
        (flat(140, 80, days=3)[:-1], "aha-ama-2020", ["1 more reading (11 of 12)"]),
        (flat(140, 80, days=3), "esh-2023", ["4 more readings after day 1 is left out (8 of 12)"]),
        (flat(140, 80, days=6), "canada-2020", ["1 more day with readings (6 of 7)"]),
        (flat(140, 80)[:2] + flat(140, 80)[4:6], "acc-aha-2017", ["evening readings (there are none)"]),
    ],
)
def test_what_a_rule_needs_at_least(told: Told, rows: list[Row], rules: str, short_of: list[str]) -> None:
    found = told(rows, "-p", rules)
    assert found["short_of"][:1] == short_of
    assert found["valid"] is (not short_of)
    assert found["at_or_above"] is (None if short_of else True)


ONE = "08:00 08:01 08:02"


@pytest.mark.parametrize(
    ("readings", "mean"),
    [
        ([(150, 90)], (150, 90)),
        ([(150, 90), (140, 80)], (140, 80)),
        ([(150, 90), (140, 80), (130, 82)], (135, 81)),
        (
            [("-", "-"), (140, 80), (130, 82)],
            (135, 81),
        ),  # the first was lost: the second and the third are what they are
        ([("-", "-"), (140, 80)], (140, 80)),
        ([(150, 90), ("-", "-"), (130, 82)], (130, 82)),
        ([(150, 90), ("-", "-"), ("-", "-")], (150, 90)),
        ([(150, 90), (380, 80)], (150, 90)),  # the second cannot be: the first is alone
        ([(380, 90), (140, 80)], (140, 80)),
    ],
)
def test_the_surveys_mean(told: Told, readings: list[tuple[object, object]], mean: tuple[int, int]) -> None:
    """NHANES: without the first where there is another, the one where there is one."""
    rows = day(3, *readings, clocks=" ".join(ONE.split()[: len(readings)]))
    found = told(rows, "-p", "survey", config=SURVEY)
    assert (found["systolic"], found["diastolic"], found["valid"]) == (*mean, True)


@pytest.mark.parametrize(
    ("home", "rules", "office", "named"),
    [
        ((135, 80), "nice-ng136", "140/80", "sustained"),
        ((134, 84), "nice-ng136", "139/90", "white-coat"),
        ((120, 85), "nice-ng136", "139/89", "masked"),
        ((134, 84), "nice-ng136", "139/89", "both below"),
        ((130, 70), "aha-ama-2020", "130/70", "sustained"),
        ((129, 79), "aha-ama-2020", "120/80", "white-coat"),
        ((110, 80), "aha-ama-2020", "129/79", "masked"),
        ((129, 79), "aha-ama-2020", "129/79", "both below"),
    ],
)
def test_the_four_corners_by_both_sets_of_bounds(
    told: Told, zone: str, home: tuple[int, int], rules: str, office: str, named: str
) -> None:
    assert told(flat(*home), "-p", rules, "--office", office, zone=zone)["home_against_office"] == named


def test_where_sessions_are_judged_apart_home_is_as_high_as_the_verdict_says(told: Told) -> None:
    """Mornings 138/80, evenings 126/76: of all 132/78, yet high by the mornings."""
    rows = week((138, 80), (138, 80), (126, 76), (126, 76))
    for office, named in (("150/95", "sustained"), ("130/80", "masked")):
        found = told(rows, "-p", "jsh-2019", "--office", office)
        assert (found["systolic"], found["at_or_above"], found["home_against_office"]) == (132, True, named)
        chances = found["office"]["chances"]
        assert chances[named] == max(chances.values())


def test_where_sessions_are_judged_apart_a_goal_is_met_by_both(told: Told) -> None:
    """From 75 years on JSH's goal, below 135/85, is where its threshold is: they cannot contradict each other."""
    rows = week((138, 80), (138, 80), (126, 76), (126, 76))
    more = told(rows, "-p", "jsh-2019", config="[people.mira]\nborn = 1940\n")["more"]
    assert (more["goal"], more["below_goal"]) == ({"systolic": 135, "diastolic": 85, "set_by": "protocol"}, False)


@pytest.mark.parametrize(
    ("home", "first", "second"),
    [((134, 84), False, False), ((135, 80), True, False), ((149, 94), True, False), ((150, 80), True, True),
     ((120, 95), True, True)],
)  # fmt: skip
def test_the_home_parts_of_nices_stages(told: Told, home: tuple[int, int], first: bool, second: bool) -> None:
    found = told(flat(*home), "-p", "nice-ng136")
    assert (found["at_or_above"], found["second_threshold"]["at_or_above"]) == (first, second)


def test_a_visits_mean_is_of_the_last_two_and_asks_for_a_third(told: Told) -> None:
    """(140 + 138) / 2 and (90 + 88) / 2; then two that differ by 12."""
    visits = [("2026-03-01", "152/94 140/90 138/88")]
    found = told(flat(130, 80), visits=visits)
    assert [found["office"][name] for name in ("systolic", "diastolic", "visits")] == [139, 89, 1]
    assert (found["office_class_acc_aha"], found["office_class_esh"]) == ("stage 1", "high-normal")
    assert found["another_reading"] is False
    found = told(flat(130, 80), "--office", "152/94", "--office", "140/90")
    assert (found["office"]["systolic"], found["another_reading"]) == (146, True)


def test_spread_of_four_days(told: Told, zone: str) -> None:
    """Steps 10, -5, 10: mean 25/3, root of 225/3; deviations -7.5, 2.5, -2.5, 7.5: root of 125/3; mean 127.5."""
    rows = [at(3 + number, "07:00", one, 80) for number, one in enumerate((120, 130, 125, 135))]
    found = told(rows, "-p", "aha-ama-2020", zone=zone)
    spread = [found[name]["systolic"] for name in ("sd", "cv", "arv", "rmssd", "range")]
    assert [round(one, 4) for one in spread] == [6.4550, 5.0627, 8.3333, 8.6603, 15]
    assert (found["missing_sessions"], found["last_ten"], found["valid"]) == (4, None, False)


def test_a_missing_evening_parts_the_two_means_and_is_counted(told: Told, zone: str) -> None:
    """Day 1 goes. 12 mornings of 138 and 10 evenings of 130: (1656 + 1300) / 22 = 134.36; of both sessions 134."""
    rows = [
        row
        for row in week((138, 86), (138, 86), (130, 82), (130, 82))
        if not row[0].startswith(("2026-03-06T20", "2026-03-08T07:00", "2026-03-08T07:01"))
    ]
    rows += [at(8, "07:05", 138, 86), at(8, "07:06", 138, 86)]
    found = told(rows, zone=zone)
    assert (found["systolic"], found["more"]["of_sessions"]["systolic"]) == pytest.approx((2956 / 22, 134))
    assert (found["missing_sessions"], found["used"]) == (1, 22)
    assert found["more"]["missing"] == [{"day": "2026-03-06", "session": "evening"}]


def test_a_reading_before_bed_is_of_the_evening_before_and_no_later_one(told: Told, zone: str) -> None:
    """At 00:30 after the last day; a casual one eleven days on is the only one that came later."""
    rows = [*flat(140, 80), at(10, "00:30", 130, 80), at(20, "08:00", 120, 70)]
    found = told(rows, zone=zone)
    assert (found["to"], found["taken"], found["used"], found["more"]["later"]) == ("2026-03-09", 29, 25, 1)
    assert found["systolic"] == pytest.approx((24 * 140 + 130) / 25)


CLOSE = (
    "146/92 141/90 139/88 137/87", "138/87 136/86 134/84 131/83", "142/90 137/88 136/85 133/84",
    "133/84 134/83 129/82 128/80", "140/88 136/86 138/87 135/85", "137/86 132/84 131/82 130/81",
    "143/89 139/88 135/85 136/86",
)  # fmt: skip


def test_a_close_week_its_chance_what_would_settle_it_and_the_office(told: Told, zone: str) -> None:
    """The series of tests/numbers/test_usual.py and test_office_home.py, where the figures' sources stand."""
    rows = [
        at(3 + number, clock, *one.split("/"))
        for number, line in enumerate(CLOSE)
        for clock, one in zip(["07:00", "07:01", "20:00", "20:01"], line.split(), strict=True)
    ]
    visits = [("2026-03-02", "144/91"), ("2026-03-12", "139/87")]
    found = told(rows, zone=zone, visits=visits)
    assert (found["systolic"], found["diastolic"], found["at_or_above"]) == (135.125, 85.125, True)
    assert round(found["chance_at_or_above"], 4) == 0.6517
    assert found["would_settle"] == "a week in each of the next 3 months"
    assert found["more"]["call"] == "too close to call"
    usual = found["more"]["usual_95"]["systolic"]
    assert [round(usual[name], 4) for name in ("low", "high", "se", "df")] == [126.2639, 143.9861, 4.4390, 66.6964]
    assert {name: round(one, 4) for name, one in found["office"]["chances"].items()} == {
        "sustained": 0.4552, "white-coat": 0.1666, "masked": 0.2128, "both below": 0.1655
    }  # fmt: skip


@pytest.mark.parametrize(
    ("plan", "rules", "goal", "below"),
    [
        ("", "nice-ng136", 135, True),
        ("born = 1946", "nice-ng136", 145, True),
        ("born = 1947", "nice-ng136", 135, True),
        ("born = 1951", "jsh-2019", 135, True),
        ("born = 1952", "jsh-2019", 125, False),
        ('conditions = ["kidney disease"]', "nice-ng136", None, None),
        ('conditions = ["kidney disease"]\ngoal_systolic = 130\ngoal_diastolic = 80', "nice-ng136", 130, False),
        ('conditions = ["diabetes"]', "nice-ng136", 130, False),
        ("", "esh-2023", None, None),
    ],
)
def test_goals_by_age_condition_and_plan(
    told: Told, plan: str, rules: str, goal: int | None, below: bool | None
) -> None:
    more = told(flat(134, 78), "-p", rules, config=f"[people.mira]\n{plan}\n")["more"]
    assert (more["goal"] and more["goal"]["systolic"], more["below_goal"]) == (goal, below)
