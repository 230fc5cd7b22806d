"""For those whose cuffs and radio are in one event loop: no waiting for time to pass."""

import pytest
from idle_time import leave_idle_time_out


@pytest.fixture
def no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    leave_idle_time_out(monkeypatch)
