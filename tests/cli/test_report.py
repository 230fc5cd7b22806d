"""`report` on the command line: the format by the name's ending, private files, and nobody else's values."""

import re
import shutil
import stat
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pypdfium2
import pytest
from measured import MONDAY, make_store, week
from typer.testing import Result

Run = Callable[..., Result]


@pytest.fixture(scope="session")
def made_pair(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """mira: a week of 138/86; rui: a week of 191/101, very high; eva: two readings."""
    rows = [
        *week(MONDAY, 138, 86),
        *week(MONDAY, 191, 101, slot=2),
        *((MONDAY + timedelta(hours=7, minutes=two), 120, 70, 60, 0, 3) for two in range(2)),
    ]
    return make_store(tmp_path_factory.mktemp("pair") / "pair.db", rows, {"mira": 1, "rui": 2, "eva": 3})


@pytest.fixture
def at_home(quietcuff: Run, made_pair: Path, tmp_path: Path) -> Run:
    store = shutil.copy(made_pair, tmp_path / "pair.db")

    def run(*args: str) -> Result:
        return quietcuff("--store", str(store), *args)

    return run


def test_an_html_page_of_one_person_and_nobody_else(at_home: Run, tmp_path: Path) -> None:
    at_home("note", "add", "mira", "2031-03-05", "new tablet <b>")
    result = at_home("report", "mira", "-o", str(tmp_path / "mira.html"))
    page = (tmp_path / "mira.html").read_text("utf-8")
    assert result.exit_code == 0, result.stderr
    assert result.stdout == ""
    assert f"written to {tmp_path / 'mira.html'}" in result.stderr
    assert "Change no medicine on your own" in result.stderr
    assert "134.0/83.2" in page
    assert "mira" in page
    assert "new tablet &lt;b&gt;" in page
    assert "Change no medicine on your own" in page
    assert not re.search(r"rui|eva|191|185", page)
    assert stat.S_IMODE((tmp_path / "mira.html").stat().st_mode) == 0o600


def test_a_pdf_on_stdout_for_who_may_not_write_here(
    at_home: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = at_home("report", "mira", "-o", "-")
    assert result.exit_code == 0, result.stderr
    assert len(pypdfium2.PdfDocument(result.stdout_bytes)) == 1
    assert "Change no medicine on your own" in result.stderr
    assert not (tmp_path / "-").exists()


@pytest.mark.parametrize(("paper", "width", "height"), [("a4", 595.3, 841.9), ("letter", 612, 792)])
def test_a_pdf_of_one_page_on_the_paper_asked_for(
    at_home: Run, tmp_path: Path, paper: str, width: float, height: float
) -> None:
    """ISO 216 and ANSI/ASME Y14.1 sizes, in points of 1/72 inch."""
    result = at_home("report", "mira", "-o", str(tmp_path / "mira.PDF"), "--paper", paper)
    assert result.exit_code == 0, result.stderr
    document = pypdfium2.PdfDocument(tmp_path / "mira.PDF")
    assert len(document) == 1
    assert document[0].get_size() == pytest.approx((width, height), abs=0.5)
    text = document[0].get_textpage().get_text_range()
    assert "134.0/83.2" in text
    assert "rui" not in text


def test_a_code_stands_in_for_the_name(at_home: Run, tmp_path: Path) -> None:
    at_home("report", "mira", "-o", str(tmp_path / "x.html"), "--code", "K-1042")
    page = (tmp_path / "x.html").read_text("utf-8")
    assert "K-1042" in page
    assert "mira" not in page


@pytest.mark.parametrize("person", ["rui", "eva"])
def test_what_wants_attention_leaves_with_3_and_is_written_all_the_same(
    at_home: Run, tmp_path: Path, person: str
) -> None:
    result = at_home("report", person, "-o", str(tmp_path / "x.html"))
    assert result.exit_code == 3
    assert ("VERY HIGH" if person == "rui" else "TOO FEW TO SAY") in (tmp_path / "x.html").read_text("utf-8")


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["mira", "-o", "x.doc"], 2, "--output x.doc: the name's ending says the format; end it in .pdf or .html"),
        (["mira"], 2, "missing option '--output'"),
        (["lena", "-o", "x.html"], 1, "no person 'lena'"),
        (["mira", "-o", "x.html", "--since", "2040-01-01"], 1, "mira has no readings in these days"),
        (["mira", "-o", "nowhere/x.html"], 1, "no such file or directory"),
        (["mira", "-o", "x.html", "--since", "soon"], 2, "--since 'soon' is not a day"),
        (["mira", "-o", "x.html", "--paper", "a5"], 2, "a5"),
    ],
)
def test_a_wrong_call_is_one_line_and_leaves_no_file(
    at_home: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, args: list[str], code: int, words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    result = at_home("report", *args)
    assert (result.exit_code, result.stdout) == (code, "")
    assert words in result.stderr
    assert result.stderr.count("\n") == 1
    assert not list(tmp_path.glob("x.*"))
