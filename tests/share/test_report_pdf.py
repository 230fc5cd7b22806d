"""The PDF, rendered and looked at: one page, inside its margins, nothing over anything else, black and white."""

import base64
import re
import sys
import zlib
from functools import cache
from itertools import combinations

import numpy
import pypdfium2
import pytest
from reportcases import CASES, good_week, long_names, three_years

from collector.share.report import PAPERS, ReportError, fonts, render_pdf
from collector.share.report.fonts import family
from collector.share.report.pdf import MARGIN

MM = 72 / 25.4
SLACK = 0.4  # points by which boxes of text may touch


@cache
def made(name: str, paper: str) -> bytes:
    return render_pdf(CASES[name](), paper)


def pages(data: bytes) -> pypdfium2.PdfDocument:
    return pypdfium2.PdfDocument(data)


def boxes(page: pypdfium2.PdfPage) -> list[tuple[tuple[float, float, float, float], str]]:
    text = page.get_textpage()
    found = [text.get_rect(index) for index in range(text.count_rects())]
    return [(box, text.get_text_bounded(*box)) for box in found]


@pytest.mark.parametrize("paper", list(PAPERS))
@pytest.mark.parametrize("name", list(CASES))
class TestLooks:
    def test_it_is_one_page_of_the_paper_asked_for(self, name: str, paper: str) -> None:
        document = pages(made(name, paper))
        assert len(document) == 1
        assert document[0].get_size() == pytest.approx([side * MM for side in PAPERS[paper]], abs=0.1)

    def test_nothing_is_drawn_outside_the_margins_and_all_is_grey(self, name: str, paper: str) -> None:
        picture = pages(made(name, paper))[0].render(scale=2).to_numpy()
        assert numpy.ptp(picture.astype(int), axis=2).max() == 0
        ink = numpy.argwhere(picture[:, :, 0] < 250)
        edge = (MARGIN - 0.8) * MM * 2
        height, width = picture.shape[:2]
        (top, left), (bottom, right) = ink.min(axis=0), ink.max(axis=0)
        assert top >= edge
        assert left >= edge
        assert bottom <= height - edge
        assert right <= width - edge

    def test_no_text_lies_on_other_text(self, name: str, paper: str) -> None:
        found = boxes(pages(made(name, paper))[0])
        assert len(found) > 10
        for (one, text), (other, second) in combinations(found, 2):
            across = min(one[2], other[2]) - max(one[0], other[0])
            down = min(one[3], other[3]) - max(one[1], other[1])
            assert across <= SLACK or down <= SLACK, (text, second)

    def test_name_rule_and_caution_are_there(self, name: str, paper: str) -> None:
        case = CASES[name]()
        text = " ".join(pages(made(name, paper))[0].get_textpage().get_text_range().split())
        assert "Change no medicine on your own" in text
        assert "Source:" in text
        assert case.average.protocol.name in text
        assert printable(case.who) in text
        if case.average.systolic is not None and case.average.protocol.averaging == "pooled":
            assert f"{case.average.systolic:.1f}/{case.average.diastolic:.1f}" in text


def printable(words: str) -> str:
    """The words as the fonts of this machine can print them: a question mark where none has the letter."""
    return "".join(char if char == " " or _font_for(char) else "?" for char in words)


def _font_for(char: str) -> bool:
    return any(part != "?" for _, part in family(char).runs(char, True))


@pytest.mark.system
def test_with_debians_fonts_a_name_is_printed_in_any_script() -> None:
    assert printable(CASES["far_scripts"]().who) == CASES["far_scripts"]().who


def test_without_them_what_no_font_has_is_a_question_mark(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.share.report.fonts._FAMILIES", fonts._FAMILIES[:1])
    monkeypatch.setattr("collector.share.report.fonts._other", lambda char, bold: None)
    page = pages(render_pdf(CASES["far_scripts"]()))[0].get_textpage().get_text_range()
    assert "?? ???? ???? ????" in " ".join(page.split())


def test_the_same_data_give_the_same_bytes() -> None:
    assert render_pdf(good_week()) == render_pdf(good_week())


def test_the_big_number_has_its_unit_beside_it() -> None:
    text = pages(made("good_week", "A4"))[0].get_textpage().get_text_range()
    assert "\n140.6/85.7 mmHg\r\n" in text


def test_an_unknown_paper_is_told() -> None:
    with pytest.raises(ReportError, match="no paper 'A5'; there is A4 and Letter"):
        render_pdf(good_week(), "A5")


def test_without_the_library_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "collector.share.report.paper", raising=False)
    monkeypatch.setitem(sys.modules, "reportlab.pdfgen.canvas", None)
    with pytest.raises(ReportError, match=r"pip install 'quietcuff\[report\]'"):
        render_pdf(good_week())


def test_a_long_name_is_never_cut_short() -> None:
    text = pages(made("long_names", "Letter"))[0].get_textpage().get_text_range()
    assert "of the house at the far end" in " ".join(text.split())
    assert re.search(r"2\d earlier ones are not listed here", text)
    assert len(long_names().notes) == 29


def test_every_reading_of_three_years_is_drawn() -> None:
    """Each dot is one stroke without length in the page's content."""
    data = three_years()
    drawn = sum(1 for one in data.samples if one.systolic) * 2
    content = pypdfium2.raw.FPDFPage_CountObjects(pages(made("three_years", "A4"))[0])
    assert content > 100
    points = 0
    for found in pages(made("three_years", "A4"))[0].get_objects(filter=(pypdfium2.raw.FPDF_PAGEOBJ_PATH,)):
        segments = pypdfium2.raw.FPDFPath_CountSegments(found)
        points = max(points, segments)
    left_out = len(data.average.excluded)
    assert points == drawn - 2 * left_out  # half of them in each of two paths, two segments a dot


def test_letters_of_another_script_are_set_in_another_font_and_embedded() -> None:
    """As far as this machine has fonts: DejaVu at least, which CI installs, has Greek, Cyrillic and Arabic."""
    text = pages(made("far_scripts", "A4"))[0].get_textpage().get_text_range()
    assert "Нина" in text
    data = made("far_scripts", "A4")
    assert data.count(b"/FontFile2") >= 2
    assert b"/STSong" not in data


def test_dots_are_strokes_with_round_ends() -> None:
    """Only so a stroke without length is drawn: ISO 32000-1, 8.4.3.3, line cap style 1. The rest has butt ends."""
    drawn = b"".join(
        zlib.decompress(base64.a85decode(part.strip().removesuffix(b"~>")))
        for part in re.findall(
            rb"/ASCII85Decode /FlateDecode[^>]*>>\s*stream\s*(.*?)endstream",
            made("good_week", next(iter(PAPERS))),
            re.S,
        )
    )
    assert re.findall(rb"(?<![\d.])([012]) J\b", drawn)[:2] == [b"1", b"0"]
    assert re.search(rb"(?<![\d.])1 G\b", drawn), "a hollow dot is white inside"
    dots = re.findall(rb"(?<![\d.])1 J\b(.*?)(?<![\d.])0 J\b", drawn, re.S)
    assert dots
    assert not any(re.search(rb"\s[Bbf]\*?\s", one) for one in dots), "what has no area is not filled"
