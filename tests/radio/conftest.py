"""Cuffs and radio are in one event loop: no test of this room waits for time to pass."""

import pytest
from idle_time import leave_idle_time_out


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    leave_idle_time_out(monkeypatch)
