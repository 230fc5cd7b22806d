"""Readings of an invented household."""

from collections.abc import Callable

import pytest
from one_reading import one_reading

from collector.store.values import Reading


@pytest.fixture
def reading() -> Callable[..., Reading]:
    """`reading(systolic=…)`: an ordinary reading, but for what is given."""
    return one_reading
