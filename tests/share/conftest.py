"""Readings of an invented household, and a receiver that only notes them."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from one_reading import one_reading
from relaying import Clock, Noting, household

from collector.store.database import Store
from collector.store.values import Reading


@pytest.fixture
def reading() -> Callable[..., Reading]:
    """`reading(systolic=…)`: an ordinary reading, but for what is given."""
    return one_reading


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with household(tmp_path, "mira", "jon") as store:
        yield store


@pytest.fixture
def clinic() -> Noting:
    return Noting()


@pytest.fixture
def clock() -> Clock:
    return Clock()
