"""The HTML report: whole in itself, harmless, well formed, and with a unit beside every number."""

import re
from dataclasses import replace
from decimal import Decimal
from html.parser import HTMLParser

import pytest
from homeseries import DAY_ONE, sample
from reportcases import CASES, changed, good_week, no_evenings, nothing, report, three_readings, three_years, too_soon

from collector.numbers.rules import Plan
from collector.numbers.values import Pressures
from collector.share.report import RegimenChange, ReportData, render_html
from collector.share.report.content import ReportText, Section, content
from collector.share.text.average_text import facts

VOID = {"meta", "polyline", "polygon", "path"}


class Outline(HTMLParser):
    """Tags that were opened and closed, and attributes that point somewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.pointers: list[str] = []
        self.wrong: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.pointers += [f"{name}={value}" for name, value in attrs if name in ("src", "href", "action", "onload")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID and (not self.open or self.open.pop() != tag):
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def read(data: ReportData) -> Outline:
    outline = Outline()
    outline.feed(render_html(data))
    return outline


@pytest.mark.parametrize("name", list(CASES))
def test_it_is_whole_and_needs_nothing_from_outside(name: str) -> None:
    page = render_html(CASES[name]())
    outline = read(CASES[name]())
    assert (outline.open, outline.wrong, outline.pointers) == ([], [], [])
    assert "<script" not in page
    assert "url(" not in page
    assert set(re.findall(r"https?://[^\"' ]+", page)) <= {"http://www.w3.org/2000/svg"}
    greys = {colour.lower() for colour in re.findall(r"#[0-9a-fA-F]{3,6}\b", page)}
    assert all(len(set(re.findall("..", colour[1:]) if len(colour) == 7 else colour[1:])) == 1 for colour in greys)


def test_what_people_wrote_cannot_steer_the_page() -> None:
    nasty = "<script>alert(1)</script>\x1b[31m &\u202e"
    notes = (RegimenChange(good_week().trend.days[0].day, nasty),)
    data = replace(changed(), who=nasty, place=nasty, preparation=nasty, notes=notes)
    page = render_html(data)
    assert "<script" not in page
    assert "\x1b" not in page
    assert "\u202e" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def told(page: ReportText) -> list[str]:
    sections: list[Section] = [page.means, *page.left, *page.right]
    cells = [f"{label}: {value}" for one in sections for label, value in one.rows]
    return [
        *cells,
        *(text for one in sections for text in one.paragraphs),
        page.verdict,
        *page.sure,
        page.counts,
        page.alarm,
        page.completeness,
    ]


@pytest.mark.parametrize("name", list(CASES))
def test_no_pressure_without_its_unit(name: str) -> None:
    page = content(replace(CASES[name](), notes=(), cuffs=(), preparation=""))
    for text in told(page):
        without_rates = re.sub(r"CV [\d./]+ %", "", text)
        if re.search(r"\d/[-+\d]", without_rates) or re.search(r"(top|lower) value is \d", text):
            assert "mmHg" in text or "by about 3/1" in text, text
    for section in (*page.left, *page.right):
        for line in section.table[:1]:
            assert line[0] == "mmHg"
    assert page.numbers or page.verdict.startswith("TOO FEW TO SAY: no reading counts")


def test_the_words_of_a_good_week() -> None:
    page = content(good_week())
    assert page.numbers == (("Mean", "140.6/85.7"),)
    assert page.verdict == "AT OR ABOVE the threshold of 135/85 mmHg, set by the esh-2023 rule."
    assert page.counts == "23 readings used of 30 taken, on 7 days: valid by the esh-2023 rule."
    assert page.sure == (
        "Usual pressure, 95 %: 131 to 151 systolic, 79 to 92 diastolic mmHg.",
        "Chance that it is at or above 135/85 mmHg: about 9 in 10, probably at or above.",
    )
    assert not page.short
    assert page.means.rows == (
        ("All readings (decides)", "140.6/85.7 mmHg, 23 readings"),
        ("Morning", "144.5/87.5 mmHg, 11 readings"),
        ("Evening", "136.9/84.0 mmHg, 12 readings"),
        ("Mean of both", "140.7/85.8 mmHg"),
        ("Pulse", "64 per minute"),
        ("Threshold", "135/85 mmHg at home stands for 140/90 mmHg in the office"),
    )
    rows = {label: value for one in (*page.left, *page.right) for label, value in one.rows}
    assert rows["4 readings"] == "day 1 is left out"
    assert rows["Uneven pulse"].startswith("marked in 1 of 29 readings, on 1 day")
    assert rows["Getting ready"] == "confirmed before 12 of 14 sittings"
    assert rows["Kitchen cuff"].startswith("clock 12 s slow")


def test_low_is_what_the_plan_says_is_low() -> None:
    taken = [sample(DAY_ONE.replace(hour=8), 97, 72), sample(DAY_ONE.replace(hour=20), 118, 55)]

    def told(data: ReportData) -> str:
        page = content(data)
        return {label: value for one in (*page.left, *page.right) for label, value in one.rows}["LOW"]

    assert told(report(taken)) == "1 reading with a top value below 90, or a lower one below 60 (mmHg)"
    own = Pressures(Decimal(100), Decimal(60))
    assert (
        told(report(taken, plan=Plan(low=own)))
        == "2 readings with a top value below 100, or a lower one below 60 (mmHg)"
    )


def test_too_few_readings_are_listed_and_judge_nothing() -> None:
    page = content(three_readings())
    assert page.short
    assert page.verdict.startswith("TOO FEW TO SAY: no reading counts.")
    assert page.left[0].title == "The readings"
    assert len(page.left[0].rows) == 3
    assert all("mmHg" in value for _, value in page.left[0].rows)
    first, *others = three_readings().samples
    struck = content(report([replace(first, void="struck out"), *others])).left[0].rows
    assert struck[0][1].endswith(" mmHg, struck out"), "what does not count says so beside its value"


def test_nothing_at_all_still_makes_a_page() -> None:
    page = content(nothing())
    assert page.numbers == ()
    assert page.verdict.startswith("TOO FEW TO SAY: no reading counts. Still needed: 3 more days")
    assert "No readings to plot" in render_html(nothing())


def test_a_session_without_readings_is_short() -> None:
    page = content(no_evenings())
    assert [label for label, _ in page.numbers] == ["Morning so far, of interest only"]
    assert "evening readings (there are none)" in page.verdict


def test_a_change_is_told_as_a_difference() -> None:
    page = content(changed())
    assert page.left[0].title == "Change"
    assert page.left[0].table[0] == ("mmHg", "before", "after", "difference", "95 % interval")
    text = " ".join(page.left[0].paragraphs)
    assert "This is a difference. It does not tell what made it." in text
    assert text.startswith(
        "Change of 17 Mar 2026. Before: 2 to 15 Mar 2026, 13 days. After: 2 to 15 Apr 2026, 13 days;"
    )
    assert "effect" not in render_html(changed()).lower()
    refused = content(too_soon()).left[0]
    assert refused.table == ()
    assert "Not enough to compare. Still needed, " in refused.paragraphs[0]


def test_noted_changes_are_numbered_alike_in_plot_and_list() -> None:
    page = render_html(three_years())
    assert "(1) 29 Jun 2026" in page
    assert ">1-2</text>" in page
    assert ">6</text>" in page


def two_days() -> ReportData:
    return report(good_week().samples[:8])


def test_what_to_read_first_comes_first() -> None:
    """Verdict, number, how sure, plot, what was done about it."""
    for case in (changed(), good_week(), two_days()):
        text = " ".join(read(case).text)
        page = content(case)
        parts = (page.verdict, page.numbers[0][1], page.sure[0], "Every reading", "Left out")
        places = [text.index(part) for part in parts]
        assert places == sorted(places)
    text = " ".join(read(changed()).text)
    assert text.index("Every reading") < text.index("Change of 17 Mar")


def test_the_number_yields_where_the_readings_are_too_few() -> None:
    assert 'class="number small"' in render_html(two_days())
    assert "of interest only" in content(two_days()).numbers[0][0]
    assert 'class="number small"' not in render_html(good_week())


def test_very_high_is_said_at_the_number_and_in_the_plot() -> None:
    start = DAY_ONE.replace(hour=8)
    data = report([*good_week().samples, sample(start.replace(day=4), 185, 99, name="peak")])
    assert content(data).alarm == "VERY HIGH: 1 reading, the highest 185/99 mmHg on 4 Mar 2026, 08:00"
    two = report([*data.samples, sample(start.replace(day=5), 199, 101, name="higher")])
    assert content(two).alarm == "VERY HIGH: 2 readings, the highest 199/101 mmHg on 5 Mar 2026, 08:00"
    assert ">VERY HIGH</text>" in render_html(data)
    assert ">VERY HIGH</text>" not in render_html(good_week())


def test_memory_and_sources_are_told_in_plain_words() -> None:
    rule = content(good_week()).rule
    assert "min_days" not in rule
    assert "from memory: the least number of days" in rule


def test_more_readings_than_the_rule_prefers_are_told_as_such() -> None:
    average = two_days().average
    more = replace(average, had=50, wanted=28)
    assert dict(facts(more))["Whole series"] == "50 readings; the rule prefers 28"
    assert dict(facts(replace(average, had=20, wanted=28)))["Whole series"] == "20 of 28 readings"
