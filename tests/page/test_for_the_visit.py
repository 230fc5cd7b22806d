"""For the visit: the report as it is printed, its period, the PDF. Over time: plot, means and notes."""

from datetime import UTC, datetime, timedelta

import pypdfium2
import pytest
from station_page import BEN, MIRA, Pages, once_of, send

from collector.numbers import words
from collector.service.config import Config
from collector.service.config.settings import StationSettings
from collector.store import Selection, readings
from collector.store.people import notes
from collector.store.people.page_devices import Role


async def test_the_page_is_the_reports_own_and_lets_its_one_style_in(pages: Pages) -> None:
    answer = await pages.signed_in(Role.PERSON, MIRA).get(f"/p/{pages.row(MIRA)}/visit/page")
    assert "Every reading" in answer.text
    assert words.NOT_A_DIAGNOSIS in answer.text
    policy = answer.headers["content-security-policy"]
    assert "unsafe-inline" not in policy
    assert "sha256-" in policy
    assert "style=" not in answer.text


async def test_the_period_is_asked_for_and_told_when_wrong(pages: Pages) -> None:
    browser, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    page = await browser.get(f"/p/{row}/visit?first=2031-03-04&last=2031-03-10")
    assert f'src="/p/{row}/visit/page?first=2031-03-04&amp;last=2031-03-10"' in page.text
    for query in ("first=tomorrow", "first=2031-03-04&last=2031-03-01", 'first="><script>'):
        wrong = await browser.get(f"/p/{row}/visit?{query}")
        assert wrong.status_code == 422
        assert "A day is written like" in wrong.text
        assert "<script>" not in wrong.text
        assert (await browser.get(f"/p/{row}/visit/page?{query}")).status_code == 422


async def test_the_pdf_holds_the_persons_values_and_nobody_elses(pages: Pages) -> None:
    answer = await pages.signed_in(Role.VIEWER, BEN).get(f"/p/{pages.row(BEN)}/visit/pdf")
    assert answer.headers["content-type"] == "application/pdf"
    document = pypdfium2.PdfDocument(answer.content)
    assert len(document) == 1
    text = document[0].get_textpage().get_text_range()
    assert "ben" in text
    assert MIRA not in text


async def test_the_page_names_the_emergency_number_of_the_station(pages: Pages) -> None:
    pages.station.config = Config(station=StationSettings(zone="UTC", emergency_number="112", name="hillside"))
    page = await pages.signed_in(Role.PERSON, MIRA).get(f"/p/{pages.row(MIRA)}/visit/page")
    assert words.caution("112") in page.text
    assert "hillside" in page.text


async def test_the_pdf_is_of_the_days_that_are_asked_for(pages: Pages) -> None:
    browser, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    answer = await browser.get(f"/p/{row}/visit/pdf?first=2031-03-04&last=2031-03-10")
    text = pypdfium2.PdfDocument(answer.content)[0].get_textpage().get_text_range()
    assert "4 to 10 Mar 2031" in text
    assert "no reading counts" in text  # of those days, which hold none


@pytest.mark.parametrize(("paper", "height"), [("A4", 842), ("Letter", 792)])
async def test_the_pdf_is_of_the_paper_that_is_chosen(pages: Pages, paper: str, height: int) -> None:
    browser, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    assert f"/p/{row}/visit/pdf?paper={paper}" in (await browser.get(f"/p/{row}/visit")).text
    with_days = (await browser.get(f"/p/{row}/visit?first=2031-03-04")).text
    assert f"/p/{row}/visit/pdf?first=2031-03-04&amp;paper={paper}" in with_days
    made = pypdfium2.PdfDocument((await browser.get(f"/p/{row}/visit/pdf?paper={paper}")).content)
    assert len(made) == 1
    assert round(made[0].get_height()) == height
    assert (await browser.get(f"/p/{row}/visit/pdf?paper=napkin")).status_code == 422


async def test_a_note_is_made_shown_and_taken_back(pages: Pages) -> None:
    browser, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    page = (await browser.get(f"/p/{row}/time")).text
    assert "<svg" in page
    form = {"once": once_of(page), "day": "2031-03-04", "kind": "regimen", "text": "new tablet <b>"}
    assert (await browser.post(f"/p/{row}/notes", data=form)).status_code == 303
    (note,) = notes.every(pages.store, MIRA)
    assert (note.kind, note.text) == ("regimen", "new tablet <b>")
    page = (await browser.get(f"/p/{row}/time")).text
    assert "new tablet &lt;b&gt;" in page
    await browser.post(f"/p/{row}/notes/{note.note_id}/remove", data={"once": once_of(page)})
    assert not notes.every(pages.store, MIRA)


@pytest.mark.parametrize(("day", "text"), [("", "x"), ("soon", "x"), ("2031-03-04", ""), ("2031-03-04", "x" * 600)])
async def test_a_wrong_note_keeps_what_was_typed(pages: Pages, day: str, text: str) -> None:
    browser, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    answer = await browser.post(f"/p/{row}/notes", data={"day": day, "text": text, "kind": "other"})
    assert answer.status_code == 422
    assert f'value="{text}"' in answer.text
    assert not notes.every(pages.store, MIRA)


async def test_another_persons_note_is_not_reached(pages: Pages) -> None:
    from datetime import date

    note = notes.add(pages.store, BEN, date(2031, 3, 4), "ben's", "other", datetime.now(UTC))
    browser, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    answer = await browser.post(f"/p/{row}/notes/{note.note_id}/remove", data={})
    assert answer.status_code == 422
    assert notes.every(pages.store, BEN)


@pytest.mark.parametrize("months", ["1", "6", "12", "999", "x"])
async def test_every_plot_is_light_enough(pages: Pages, months: str) -> None:
    answer = await pages.signed_in(Role.PERSON, MIRA).get(f"/p/{pages.row(MIRA)}/time?months={months}")
    assert answer.status_code == 200
    assert len(answer.content) < 100_000


async def test_a_plot_of_more_readings_than_a_page_carries_begins_later_and_says_so(
    pages: Pages, monkeypatch: pytest.MonkeyPatch
) -> None:
    browser, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    for number in range(8):
        send(pages.store, datetime.now(UTC) - timedelta(days=90 + number), 150)
    newest = list(readings.select(pages.store, Selection(person=MIRA)))
    every = (await browser.get(f"/p/{row}/time?months=12")).text
    monkeypatch.setattr("collector.page.over_time.MOST_PLOTTED", len(newest) - 8)
    fewer = (await browser.get(f"/p/{row}/time?months=12")).text
    assert f"Every reading since {newest[8].taken_at.date()}" in fewer
    assert len(fewer) < len(every)


async def test_office_values_are_kept_and_wrong_ones_told(pages: Pages) -> None:
    browser, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    for values in ("", "144", "91/144", "144/91 x"):
        answer = await browser.post(f"/p/{row}/office", data={"values": values, "day": "2026-03-04"})
        assert answer.status_code == 422
        assert "What was typed" in answer.text
    await browser.post(f"/p/{row}/office", data={"values": "144/91 139/88", "day": "2026-03-04"})
    assert "144/91, 139/88 mmHg" in (await browser.get(f"/p/{row}/time")).text
