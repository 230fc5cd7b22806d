"""A dose just taken, and a reading taken standing: two buttons."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from station_page import MIRA, Pages, once_of

from collector.store import Selection, readings
from collector.store.people import notes
from collector.store.people.page_devices import Role
from collector.store.values import STANDING


async def test_a_dose_is_noted_by_one_button_and_told_as_hours_since(pages: Pages) -> None:
    mira, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    page = (await mira.get(f"/p/{row}/today")).text
    assert "Last noted dose" not in page
    now = datetime.now(UTC)
    assert (await mira.post(f"/p/{row}/dose", data={"once": once_of(page)})).status_code == 303
    (note,) = notes.every(pages.store, MIRA, notes.DOSE)
    assert note.day in {now.date(), (now + timedelta(minutes=1)).date()}
    assert notes.dose_time(note.text) is not None
    page = (await mira.get(f"/p/{row}/today")).text
    assert f"Last noted dose at {note.text}, 0.0 hours ago" in page
    await mira.post(f"/p/{row}/notes/{note.note_id}/remove", data={})
    assert "Last noted dose" not in (await mira.get(f"/p/{row}/today")).text


async def test_a_dose_has_the_wall_clock_of_the_station(pages: Pages) -> None:
    pages.station.zone = ZoneInfo("Pacific/Kiritimati")  # 14 hours ahead of UTC
    mira, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    before = datetime.now(pages.station.zone)
    await mira.post(f"/p/{row}/dose", data={})
    after = datetime.now(pages.station.zone)
    (note,) = notes.every(pages.store, MIRA, notes.DOSE)
    assert (note.day, note.text) in {(at.date(), f"{at:%H:%M}") for at in (before, after)}


async def test_a_dose_of_long_ago_or_to_come_says_nothing(pages: Pages) -> None:
    mira, row, now = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA), datetime.now(UTC)
    for at in (now - timedelta(hours=37), now + timedelta(hours=2)):
        notes.add(pages.store, MIRA, at.date(), f"{at:%H:%M}", notes.DOSE, now)
    assert "Last noted dose" not in (await mira.get(f"/p/{row}/today")).text


async def test_the_average_says_the_hours_since_the_dose_and_never_which_or_how_much(pages: Pages) -> None:
    mira, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    for reading in readings.select(pages.store, Selection(person=MIRA)):
        at = reading.taken_at - timedelta(hours=2)
        if not any((note.day, note.text) == (at.date(), f"{at:%H:%M}") for note in notes.every(pages.store, MIRA)):
            notes.add(pages.store, MIRA, at.date(), f"{at:%H:%M}", notes.DOSE, datetime.now(UTC))
    assert "hours after the last noted dose" in (await mira.get(f"/p/{row}/today")).text
    refused = await mira.post(f"/p/{row}/notes", data={"day": "2031-03-04", "text": "20 mg", "kind": "dose"})
    assert refused.status_code == 422
    assert "never what it was or how much" in refused.text


async def test_a_reading_taken_standing_is_marked_by_one_button_and_taken_back(pages: Pages) -> None:
    mira, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    reading = list(readings.select(pages.store, Selection(person=MIRA)))[-1].reading_id
    page = (await mira.get(f"/p/{row}/readings")).text
    await mira.post(f"/p/{row}/readings/{reading}/standing", data={"once": once_of(page)})
    assert STANDING in readings.get(pages.store, reading).marks
    page = (await mira.get(f"/p/{row}/readings")).text
    assert "taken standing" in page
    await mira.post(f"/p/{row}/readings/{reading}/count-again", data={"once": once_of(page)})
    assert STANDING not in readings.get(pages.store, reading).marks
