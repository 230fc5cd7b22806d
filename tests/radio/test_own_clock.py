"""What a visit rests on before it sets a cuff's clock; that it does: test_visit.py, test_virtual_exchange.py."""

from datetime import UTC, datetime

from collector.radio.own_clock import trustworthy


def test_a_clock_that_starts_in_1970_sets_no_other() -> None:
    assert trustworthy(datetime(2026, 3, 9, 12, 0, tzinfo=UTC))
    assert not trustworthy(datetime(1970, 1, 1, 0, 5, tzinfo=UTC))
