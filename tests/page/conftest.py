"""A station with two people, and its page."""

from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fresh import folder
from station_page import Pages, household


@pytest.fixture
async def pages() -> AsyncIterator[Pages]:
    with folder() as place, household(Path(place) / "station.db", datetime.now(UTC)) as store:
        made = Pages(store)
        yield made
        for browser in made.browsers:
            await browser.aclose()
