"""The field names that other programs rely on."""

import json
from datetime import date, timedelta

from homeseries import DAY_ONE, series, week

from collector.numbers.average import average
from collector.numbers.average_json import average_fields, change_fields, protocol_fields, trend_fields
from collector.numbers.change import change
from collector.numbers.protocols import PROTOCOLS, protocol
from collector.numbers.trend import trend

NICE = protocol("nice-ng136")


def test_an_average_has_the_promised_fields() -> None:
    told = average_fields(average(series(week()), NICE))
    assert {
        "protocol",
        "from",
        "to",
        "taken",
        "used",
        "days",
        "valid",
        "short_of",
        "systolic",
        "diastolic",
        "pulse",
        "morning",
        "evening",
        "threshold",
        "at_or_above",
        "excluded",
        "sd",
        "cv",
        "arv",
    } <= set(told)
    assert (told["protocol"], told["from"], told["to"]) == ("nice-ng136", "2026-03-02", "2026-03-08")
    excluded = told["excluded"]
    assert isinstance(excluded, list)
    assert excluded[0] == {"reading_id": "d1-morning-1", "reason": "day 1 is left out"}
    json.dumps(told, default=str)


def test_nothing_to_tell_is_told_with_the_same_fields() -> None:
    assert set(average_fields(average([], NICE))) == set(average_fields(average(series(week()), NICE)))
    empty, full = change([], date(2026, 3, 9), NICE), change(series(week(range(1, 50))), day(20), NICE)
    assert set(change_fields(empty)) == set(change_fields(full))
    assert change_fields(empty)["compared"] is False
    overall = change_fields(full)["overall"]
    assert isinstance(overall, dict)
    assert set(overall["systolic"]) == {
        "before",
        "after",
        "difference",
        "interval",
        "interval_neighbours",
        "interval_bootstrap",
        "df",
        "noise",
        "clear",
    }


def day(number: int) -> date:
    return (DAY_ONE + timedelta(days=number - 1)).date()


def test_trends_and_protocols_are_plain() -> None:
    json.dumps(trend_fields(trend(series(week()), NICE)), default=str)
    for one in PROTOCOLS.values():
        told = protocol_fields(one)
        json.dumps(told, default=str)
        assert told["source"]
