"""For those whose cuffs and radio are in one event loop: no waiting for time to pass."""

from collections.abc import Iterator

import pytest
from idle_time import idle_time_left_out


@pytest.fixture
def no_waiting() -> Iterator[None]:
    with idle_time_left_out():
        yield
