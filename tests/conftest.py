"""One hypothesis profile for every room, whatever is collected beside it."""

import pytest
from hypothesis import HealthCheck, settings


def pytest_configure(config: pytest.Config) -> None:
    """The same examples in every run, so that a red test is the change's; `--hypothesis-seed=N` draws others.

    No deadline: a busy machine is no fault.
    """
    seeded = config.getoption("--hypothesis-seed", None) is not None
    settings.register_profile(
        "quietcuff",
        deadline=None,
        derandomize=not seeded,
        database=None,
        print_blob=seeded,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    )
    settings.load_profile("quietcuff")
