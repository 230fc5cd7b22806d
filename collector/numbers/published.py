"""The published protocols, one entry each. Pressures in mmHg.

What `source` names was read where `from_memory` does not list the field; many guidelines could be read only through
abstracts, sister texts and reviews, which `source` then says (journal, volume and page are from memory). Clock hours
of sessions stand in no source at all (they say 'within an hour of waking', 'before bed'): they are in `Handling` and
a person's plan changes them.
"""

from collections.abc import Iterator
from decimal import Decimal

from collector.numbers.rules import ForAge, Protocol
from collector.numbers.values import Pressures


def _over(systolic: int, diastolic: int) -> Pressures:
    return Pressures(Decimal(systolic), Decimal(diastolic))


def _fields(names: str) -> frozenset[str]:
    return frozenset(names.split())


def published() -> Iterator[Protocol]:
    yield Protocol(
        "esh-2023",
        "European Society of Hypertension",
        "2023 guideline; home schedule of the 2021 practice guideline",
        "Mancia and others, J Hypertens 2023;41:1874; Stergiou and others, J Hypertens 2021;39:1293. Read through "
        "Stergiou and others, J Clin Hypertens 2018;20:1116, table 3 (PMC8030885)",
        both_sessions=True,
        threshold=_over(135, 85),
        drop_days=(1,),
        min_readings_used=12,
        when="morning before medicines and food; evening before supper or bed",
        notes=(
            "Texts ask for 3 to 7 days and for 12 readings, and leave day 1 out: 3 days of 2 and 2 then leave only 8. "
            "Here the 12 count after day 1 is left out, as the authors wrote in 2018; set min_readings in place of "
            "min_readings_used to count them before.",
            "A home goal could not be found with certainty: none is set.",
        ),
        from_memory=_fields("min_days preferred_days when"),
        our_choice=_fields("min_readings_used"),
    )
    yield Protocol(
        "aha-ama-2020",
        "American Heart Association and American Medical Association, self-measured blood pressure",
        "2020 joint statement; programme pages",
        "Shimbo and others, Circulation 2020;142:e42. Read through the AMA seven-step guide and the AHA/AMA programme "
        "pages 'How it works' and data review",
        both_sessions=True,
        threshold=_over(130, 80),
        target=_over(130, 80),
        min_readings=12,
        when="every morning and every evening",
        notes=("Whether the statement lets day 1 be left out could not be seen: drop_days is empty.",),
    )
    yield Protocol(
        "acc-aha-2017",
        "American College of Cardiology and American Heart Association",
        "2017 guideline",
        "Whelton and others, Hypertension 2018;71:e13, section 4. Read through Circ Res 2021, table 2 (PMC8034801)",
        both_sessions=True,
        threshold=_over(130, 80),
        target=_over(130, 80),
        min_days=2,
        min_readings=4,
        when="morning before medicines; evening before supper",
        notes=(
            "The text asks for the week before a visit, names no number of days, and bases an average on two or more "
            "readings on two or more occasions: hence 2 days and 4 readings at least.",
        ),
        our_choice=_fields("min_days preferred_days min_readings"),
    )
    yield Protocol(
        "nice-ng136",
        "National Institute for Health and Care Excellence",
        "NG136, recommendation 1.2.7",
        "Hypertension in adults: diagnosis and management, NG136 (2019, since amended). Read as quoted by GP notebook "
        "and by Mahtani and others 2015 (from memory, journal and page not looked up)",
        both_sessions=True,
        threshold=_over(135, 85),
        target=_over(135, 85),
        target_for_age=ForAge(80, _over(145, 85)),
        second_threshold=_over(150, 95),
        second_class="the home part of stage 2",
        min_days=4,
        drop_days=(1,),
        min_readings_used=12,
        when="twice a day, ideally morning and evening; seated",
        notes=(
            "At or above the threshold is the home part of stage 1; 150/95 that of stage 2. A stage also needs a "
            "clinic value.",
            "The text names days, not readings. The 12 are what four full days leave after day 1.",
        ),
        from_memory=_fields("target target_for_age"),
        our_choice=_fields("min_readings_used"),
    )
    yield Protocol(
        "ish-2020",
        "International Society of Hypertension",
        "2020 global practice guidelines",
        "Unger and others, Hypertension 2020;75:1334. From memory; that most guidelines ask for 3 to 7 days and leave "
        "out day 1: Kyriakoulis and others, J Hypertens 2022, abstract (page not looked up)",
        both_sessions=True,
        threshold=_over(135, 85),
        drop_days=(1,),
        when="morning before food and medicines; evening",
        notes=("The least number of readings is not stated. A home goal is not given.",),
        from_memory=_fields("min_days preferred_days per_session gap_s when averaging threshold drop_days"),
    )
    yield Protocol(
        "jsh-2019",
        "Japanese Society of Hypertension",
        "2019 guideline",
        "Umemura and others, Hypertens Res 2019;42:1235. Read through the 2003 home guideline (Hypertens Res 26:771), "
        "the Korean text of 2018, and Kario 2019 (PMC6875598) for the goal",
        both_sessions=True,
        threshold=_over(135, 85),
        target=_over(125, 75),
        target_for_age=ForAge(75, _over(135, 85)),
        min_days=5,
        averaging="separate",
        when="morning within 1 hour of waking, after passing urine, before medicines and breakfast; evening just "
        "before bed",
        notes=(
            "Two readings a sitting; one is accepted. Morning and evening are judged apart; the overall mean is also "
            "used.",
        ),
        from_memory=_fields("min_days preferred_days per_session drop_days threshold"),
        our_choice=_fields("gap_s"),
    )
    yield Protocol(
        "canada-2020",
        "Hypertension Canada",
        "2017 to 2020 guidelines",
        "Leung and others, Can J Cardiol 2017;33:557; Rabi and others, Can J Cardiol 2020;36:596; CMAJ 2021 "
        "(PMC8342011) for 28 readings",
        both_sessions=True,
        threshold=_over(135, 85),
        min_days=7,
        drop_days=(1,),
        min_readings=28,
        min_readings_used=24,
        when="morning and evening",
        notes=(
            "A full week: 28 readings taken, 24 used. With diabetes the guideline's threshold is lower and not fixed: "
            "set it in the person's plan.",
        ),
        our_choice=_fields("gap_s when"),
    )
    yield Protocol(
        "taiwan-2020",
        "Taiwan Hypertension Society and Taiwan Society of Cardiology",
        "2020 consensus, '722' protocol",
        "2020 consensus statement on home blood pressure, table 1 (PMC7677637)",
        both_sessions=True,
        threshold=_over(135, 85),
        target=_over(130, 80),
        min_days=4,
        drop_days=(1,),
        af_per_session=3,
        averaging="separate",
        when="morning within 1 hour of waking, before food and medicines; evening within 1 hour of bed",
        notes=("Seven days, two sessions, two readings; three or more per session with atrial fibrillation.",),
        from_memory=_fields("threshold target"),
    )
    yield Protocol(
        "doane-2018",
        "Doane and others, United States family practice",
        "2018",
        "Doane and others, J Am Board Fam Med 2018;31:375, table 1 and abstract",
        both_sessions=True,
        threshold=_over(135, 85),
        min_days=5,
        preferred_days=5,
        per_session=3,
        drop_days=(1, 2),
        drop_first_of_session=True,
        min_readings_used=12,
        consecutive_days=True,
        when="three in the morning and three in the evening, cuff left on",
        notes=("Days 1 and 2 and the first of each three are left out; five days leave 12 readings.",),
        our_choice=_fields("when"),
    )
