"""The words: easy to read, calm, with the number to call, and silent about medicines."""

import re
from decimal import Decimal

import pytest

from collector.numbers import words
from collector.numbers.chance import Call, Further
from collector.numbers.office_home import OfficeHome
from collector.numbers.values import Irregular, Pressures, Said

LIMIT = Pressures(Decimal(135), Decimal(85))
IRREGULAR = Irregular(4, 14, 3, True)
CALLS = {
    Call.CLEARLY_ABOVE: 0.97,
    Call.PROBABLY_ABOVE: 0.85,
    Call.TOO_CLOSE: 0.4,
    Call.PROBABLY_BELOW: 0.15,
    Call.CLEARLY_BELOW: 0.01,
}


def everything(emergency: str = "112") -> dict[str, str]:
    return {
        "caution": words.caution(emergency),
        "signs": words.signs(emergency),
        "stroke": words.stroke(emergency),
        "pregnancy": words.pregnancy(emergency),
        "children": words.CHILDREN,
        "very high": words.very_high(),
        "still very high": words.still_very_high(),
        "no longer very high": words.no_longer_very_high(),
        "very high in a list": words.very_high_in_a_list(),
        "low": words.low(emergency),
        "too few": words.too_few(["2 more days with readings (2 of 4)", "4 more readings (8 of 12)"], True),
        "none yet": words.too_few(["12 more readings (0 of 12)"], False),
        "high": words.against_threshold("138.4/86.1", 24, LIMIT, True, "plan"),
        "not high": words.against_threshold("128.4/76.1", 24, LIMIT, False, "protocol"),
        "usual": words.usual_values((126.3, 144.0), (79.5, 90.7)),
        **{f"chance {call}": words.usual_against(LIMIT, chance, call) for call, chance in CALLS.items()},
        **{f"settling {one}": words.settling(one) for one in (None, *Further)},
        **{f"office {one}": words.OFFICE[one] for one in OfficeHome},
        "office unknown": words.OFFICE_UNKNOWN,
        "irregular": words.irregular(IRREGULAR),
        "third": words.THIRD_READING,
        "implausible": words.IMPLAUSIBLE,
        "by hand": words.HAND_WRITTEN,
        "change": " ".join(words.CHANGE_CAUTIONS),
        **{f"difference {one}": words.difference("lower", -9.0, one) for one in Said},
        "falls by itself": words.falls_by_itself(-9.0, 1.2),
        "far apart": words.far_apart(12),
        "preparation": " ".join(words.PREPARATION),
    }


def syllables(word: str) -> int:
    """Groups of vowels, less a silent e. Rough, and rough on the high side for short words."""
    word = word.lower()
    groups = len(re.findall(r"[aeiouy]+", word))
    if word.endswith("e") and not word.endswith(("le", "ee")) and groups > 1:
        groups -= 1
    if re.search(r"[^aeiouytd]ed$", word) and groups > 1:
        groups -= 1
    return max(1, groups)


def grade(text: str) -> float:
    """Flesch-Kincaid grade level (Kincaid and others, US Navy Research Branch Report 8-75, 1975, from memory):
    0.39 words a sentence + 11.8 syllables a word - 15.59. Numbers count as words of as many syllables as they
    have digits."""
    sentences = [one for one in re.split(r"[.?!:;](?:\s|$)", text) if one.strip()]
    found = re.findall(r"[A-Za-z']+|\d+", text)
    spoken = sum(len(word) if word.isdigit() else syllables(word) for word in found)
    return 0.39 * len(found) / len(sentences) + 11.8 * spoken / len(found) - 15.59


def test_the_score_tells_easy_from_hard() -> None:
    assert grade("The cat sat on the mat. It was a fat cat.") < 2
    assert (
        grade(
            "Antihypertensive pharmacotherapy necessitates individualised titration under continuous "
            "supervision by a multidisciplinary organisation, notwithstanding contraindications."
        )
        > 16
    )
    assert [syllables(word) for word in ("measure", "average", "emergency", "table", "clinic", "marked", "wait")] == [
        2,
        3,
        4,
        2,
        2,
        1,
        1,
    ]


@pytest.mark.parametrize("name", list(everything()))
def test_a_twelve_year_old_can_read_it(name: str) -> None:
    text = everything()[name]
    assert grade(text) <= 8, f"{name}: grade {grade(text):.1f}"
    longest = max((len(one.split()) for one in re.split(r"[.?!:](?:\s|$)", text)), default=0)
    assert longest <= 24, f"{name}: a sentence of {longest} words"


@pytest.mark.parametrize("name", list(everything()))
def test_nothing_is_said_on_medicines_but_to_leave_them_alone(name: str) -> None:
    text = everything()[name].lower()
    rest = text.replace("change no medicine on your own", "")
    assert not re.search(r"\b(dose|doses|pill|pills|drug|drugs|mg)\b", rest)
    assert not re.search(r"\b(take|stop|start|skip|double|halve|increase|reduce)\b[^.]*\b(tablet|medicine)", rest)


@pytest.mark.parametrize("name", ["caution", "signs", "stroke", "pregnancy", "low"])
def test_the_local_number_is_said_where_it_matters(name: str) -> None:
    assert "the emergency number 999" in everything("999")[name]
    assert "your emergency number" in everything("")[name]


def test_the_signs_are_those_of_the_published_pages() -> None:
    """American Heart Association and National Heart, Lung, and Blood Institute, pages for patients; BE FAST."""
    signs = words.signs().lower()
    for sign in (
        "chest pain",
        "breath",
        "back",
        "belly",
        "numb",
        "weak",
        "sight",
        "speaking",
        "headache",
        "confused",
        "dizzy",
        "being sick",
    ):
        assert sign in signs
    for sign in ("face", "arm", "speech", "balance", "sight", "note when"):
        assert sign in words.stroke().lower()


def test_very_high_is_met_calmly() -> None:
    for text in (words.very_high(), words.still_very_high(), words.very_high_in_a_list()):
        assert "!" not in text
        assert not re.search(r"danger|panic|urgent|crisis", text, re.I)


def test_pregnancy_is_never_reassured() -> None:
    assert "do not hold for you" in words.pregnancy()
    assert "160 over 110" in words.pregnancy()


def test_an_uneven_pulse_is_told_where_it_counts() -> None:
    assert "Tell your clinician" in words.irregular(IRREGULAR)
    assert "Tell your clinician" not in words.irregular(Irregular(1, 14, 1, False))
    assert words.irregular(Irregular(0, 14, 0, False)) == ""


def test_a_change_is_a_difference_and_never_an_effect() -> None:
    text = " ".join((*words.CHANGE_CAUTIONS, words.far_apart(9))).lower()
    assert "difference" in text
    assert "effect" not in text


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.0, "less than 1 in 20"),
        (0.049, "less than 1 in 20"),
        (0.06, "about 1 in 10"),
        (0.41, "about 4 in 10"),
        (0.65, "about 7 in 10"),
        (0.949, "about 9 in 10"),
        (0.96, "more than 19 in 20"),
        (1.0, "more than 19 in 20"),
    ],
)
def test_a_chance_is_never_a_percentage(share: float, said: str) -> None:
    assert words.chance(share) == said


def test_a_fall_by_itself_is_a_number_beside_the_difference() -> None:
    assert words.falls_by_itself(-9.04, 1.17) == "High values tend to fall by themselves. About 1 of the 9 may be that."
    assert "Less than 1 of the 9" in words.falls_by_itself(-9.04, 0.3)


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (Said.CLEAR, "The top value is 9 lower than before. Chance alone would rarely do that."),
        (Said.LIKELY, "The top value looks lower, by about 9. It may still be chance."),
        (Said.UNKNOWN, "We cannot tell if the top value changed. That does not mean that nothing changed."),
    ],
)
def test_a_difference_is_said_as_sure_as_it_is(said: Said, told: str) -> None:
    assert words.difference("top", -9.2, said) == told
