"""Reports of invented people, from almost nothing to three years."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from functools import cache
from random import Random

from homeseries import DAY_ONE, sample, series, week

from collector.numbers.average import average
from collector.numbers.change import change
from collector.numbers.levels import LOW
from collector.numbers.office_home import OfficeReadings, against_home
from collector.numbers.overview import outstanding
from collector.numbers.protocols import protocol
from collector.numbers.rules import Plan
from collector.numbers.trend import trend
from collector.numbers.values import Pressures, Sample
from collector.share.report.data import CuffLine, RegimenChange, ReportData

CUFF = CuffLine("Kitchen cuff", "clock 12 s slow, times corrected in every visit")


def day(number: int) -> date:
    return (DAY_ONE + timedelta(days=number - 1)).date()


def lifelike(days: range, centre: int = 140, seed: int = 7) -> list[Sample]:
    dice = Random(seed)
    rows = []
    for number in days:
        level = centre + dice.gauss(0, 6)
        for session, lift in (("morning", 3), ("evening", -3)):
            rows += [
                [
                    number,
                    session,
                    round(level + lift + dice.gauss(0, 4) - 2 * turn),
                    round(level * 0.6 + lift / 2 + dice.gauss(0, 3)),
                ]
                for turn in (0, 1)
            ]
    return series(rows)


def report(samples: list[Sample], rules: str = "esh-2023", who: str = "mira", **more: object) -> ReportData:
    plan = more.pop("plan", None)
    assert plan is None or isinstance(plan, Plan)
    asked = protocol(rules)
    newest = max((one.taken_at for one in samples), default=DAY_ONE)
    made_at = (newest + timedelta(days=2)).replace(hour=8, minute=0)
    averaged = average(samples, asked, plan)
    very_high, lows = outstanding(samples, averaged, plan.low if plan else None)
    data = ReportData(
        who=who,
        average=averaged,
        samples=tuple(samples),
        trend=trend(samples, asked, plan),
        made_at=made_at,
        cuffs=(CUFF,),
        emergency="112",
        low=(plan and plan.low) or LOW,
        very_high=very_high,
        lows=lows,
    )
    return replace(data, **more)  # type: ignore[arg-type]


def nothing() -> ReportData:
    return report([], cuffs=())


def three_readings() -> ReportData:
    return report(lifelike(range(1, 2))[:3])


def good_week() -> ReportData:
    samples = lifelike(range(1, 8))
    samples[9] = replace(samples[9], status=frozenset({"body movement"}))
    samples[14] = replace(samples[14], status=frozenset({"irregular pulse"}))
    samples.append(sample(DAY_ONE.replace(hour=14), 151, 92))
    samples.append(sample(DAY_ONE.replace(hour=22), None, None, None, name="failed"))
    return report(samples, preparation="confirmed before 12 of 14 sittings")


def slips_of_the_pen() -> ReportData:
    samples = lifelike(range(1, 8))
    samples.append(sample(DAY_ONE.replace(hour=9), 1360, 85, name="a zero too many"))
    samples.append(sample(DAY_ONE.replace(hour=10), 13, 8, name="a digit too few"))
    samples.append(replace(sample(DAY_ONE.replace(hour=11), 262, 150, name="a child at play"), void="struck out"))
    return report(samples)


def no_evenings() -> ReportData:
    return report(series(week(evening=[])), "jsh-2019")


def sessions_apart() -> ReportData:
    return report(lifelike(range(1, 8)), "taiwan-2020")


def changed() -> ReportData:
    samples = lifelike(range(1, 15), 152) + lifelike(range(32, 46), 133, 3)
    return report(
        samples,
        "nice-ng136",
        change=change(samples, day(16), protocol("nice-ng136")),
        notes=(RegimenChange(day(16), "one tablet in the evening instead of two (example)"),),
    )


def too_soon() -> ReportData:
    samples = lifelike(range(1, 9), 150)
    return report(
        samples, change=change(samples, day(8), protocol("esh-2023")), notes=(RegimenChange(day(8), "new tablet"),)
    )


@cache
@cache
def three_years() -> ReportData:
    samples = [
        one
        for number in range(1, 1096, 1)
        if number % 60 < 45
        for one in lifelike(range(number, number + 1), 150 - number // 60, number)
    ]
    notes = tuple(
        RegimenChange(day(number), f"change number {number} (example)") for number in (120, 124, 400, 800, 802, 1000)
    )
    compared = change(samples, day(800), protocol("esh-2023"), other_changes=[day(400)])
    return report(samples, change=compared, notes=notes)


def long_period() -> ReportData:
    data = three_years()
    rules = protocol("esh-2023")
    return replace(data, average=average(data.samples, rules, first=day(1), last=day(1095)))


def long_names() -> ReportData:
    word = "Wilhelmina-Konstantinopolitanskaja"
    remark = "a very long remark that goes on and on, " * 6
    notes = tuple(RegimenChange(day(number), f"{number}. {remark}") for number in range(1, 30))
    cuffs = tuple(
        CuffLine(
            f"{word} {number} of the upper west wing",
            "clock never read; times are the cuff's own word and may be wrong by hours, nobody can tell",
        )
        for number in range(7)
    )
    samples = lifelike(range(1, 46), 185)
    words = ["body movement", "cuff too loose", "improper position"]
    samples = [
        replace(one, status=frozenset(words[: number % 4])) if number % 5 == 0 else one
        for number, one in enumerate(samples)
    ]
    return report(
        samples,
        "jsh-2019",
        f"{word} {word} {word} {word} of the house at the far end",
        notes=notes,
        cuffs=cuffs,
        change=change(samples, day(15), protocol("jsh-2019")),
        preparation="confirmed before some of the sittings, " * 5,
        place=f"Clinic of {word} {word}",
    )


def far_letters() -> ReportData:
    return report(lifelike(range(1, 8)), who="Žofie Ελένη Ганна")


def full_house() -> ReportData:
    """All that a page can hold, and each of it long."""
    base = long_names()
    visits = [OfficeReadings(day(40 + number), (Pressures(Decimal(152), Decimal(97)),)) for number in range(3)]
    mean = base.average.mean
    assert mean
    return replace(
        base,
        who=base.who + " and of the other house that is farther still" * 4,
        office=against_home(visits, base.average.usual, mean, base.average.threshold),
        log_remarks=(
            ("Last digits", "41 of 56 values written by hand end in 0: rounded?"),
            ("Second like first", "in 9 of 28 sittings: copied, or sent twice?"),
        ),
    )


def far_scripts() -> ReportData:
    """A name in scripts of which not one font has all."""
    return report(lifelike(range(1, 8)), who="李娜 Нина नीना نينا")


CASES: dict[str, Callable[[], ReportData]] = {
    case.__name__: cache(case)
    for case in (
        nothing,
        three_readings,
        good_week,
        slips_of_the_pen,
        no_evenings,
        sessions_apart,
        changed,
        too_soon,
        three_years,
        long_period,
        long_names,
        far_letters,
        far_scripts,
        full_house,
    )
}
