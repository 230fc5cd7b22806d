"""Protocols by name, and a clinic's own from its configuration."""

import pytest

from collector.numbers.custom import ProtocolError, custom
from collector.numbers.protocols import PROTOCOLS, UnknownProtocol, protocol


def test_the_published_ones_are_there_with_source_and_edition() -> None:
    assert list(PROTOCOLS) == [
        "esh-2023",
        "aha-ama-2020",
        "acc-aha-2017",
        "nice-ng136",
        "ish-2020",
        "jsh-2019",
        "canada-2020",
        "taiwan-2020",
        "doane-2018",
    ]
    for one in PROTOCOLS.values():
        assert one.source
        assert one.edition
        assert one.title
        fields = set(type(one).__dataclass_fields__)
        assert one.from_memory <= fields
        assert one.our_choice <= fields
        assert not one.from_memory & one.our_choice


@pytest.mark.parametrize("name", ["NICE-NG136", "nice ng136", "Nice_NG136", "ESH-2023", "acc/aha-2017"])
def test_names_are_forgiving(name: str) -> None:
    assert protocol(name).name in PROTOCOLS


def test_an_unknown_name_lists_those_there_are() -> None:
    with pytest.raises(UnknownProtocol, match=r"did you mean 'esh-2023'\? known: esh-2023, aha-ama-2020"):
        protocol("esh-2024")


def test_a_clinics_own_goes_first() -> None:
    own = custom({"name": "esh-2023", "threshold": [130, 80]})
    assert protocol("esh-2023", {"esh-2023": own}) is own


def test_a_protocol_after_a_published_one_keeps_the_rest_and_says_so() -> None:
    own = custom(
        {
            "name": "ward-5",
            "based_on": "taiwan-2020",
            "threshold": [130, 80],
            "morning": ["05:30", "11:00"],
            "exclude_flags": [],
        }
    )
    assert (own.averaging, own.min_days, str(own.threshold)) == ("separate", 4, "130/80")
    assert str(own.handling.morning) == "05:30 to 11:00"
    assert own.handling.exclude_flags == frozenset()
    assert "taiwan-2020" in own.source
    assert "threshold" not in own.from_memory
    assert "target" in own.from_memory


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"threshold": [135, 85]}, "name is None; wanted are small letters"),
        ({"name": "Ward 5", "threshold": [135, 85]}, "name is 'Ward 5'"),
        ({"name": "w"}, "protocol w: wanted is threshold = [systolic, diastolic], or based_on"),
        ({"name": "w", "treshold": [1, 2]}, "there is no key 'treshold'; did you mean 'threshold'?"),
        ({"name": "w", "qqqqqq": 1}, "there is no key 'qqqqqq'; allowed: name, title"),
        ({"name": "w", "threshold": [85, 135]}, "threshold is [85, 135]; wanted is [systolic, diastolic] in mmHg"),
        ({"name": "w", "threshold": [135, 85], "averaging": "mean"}, "averaging is 'mean'; wanted is one of pooled"),
        ({"name": "w", "threshold": [135, 85], "min_days": 0}, "min_days is 0; wanted is a whole number from 1 to 366"),
        ({"name": "w", "threshold": [135, 85], "drop_days": 1}, "drop_days is 1; wanted is a list of day numbers"),
        ({"name": "w", "threshold": [135, 85], "drop_days": [0]}, "drop_days is [0]; wanted is a list of day numbers"),
        ({"name": "w", "threshold": [135, 85], "drop_days": [True]}, "wanted is a list of day numbers"),
        *(
            ({"name": "w", "threshold": pair}, "systolic 60 to 260, diastolic 30 to 160")
            for pair in ([59, 40], [261, 85], [100, 29], [200, 161], [100, 100], [135], [135, "85"])
        ),
        ({"name": "w", "threshold": [135, 85], "morning": ["4"]}, "morning is ['4']; wanted is two clock times"),
        ({"name": "w", "threshold": [135, 85], "exclude_flags": ["x"]}, "wanted is a list of any of body movement"),
        ({"name": "w", "based_on": "nice"}, "based_on is 'nice'; wanted is one of esh-2023"),
        (
            {"name": "w", "threshold": [135, 85], "consecutive_days": 1},
            "consecutive_days is 1; wanted is true or false",
        ),
        ({"name": "w", "threshold": [135, 85], "title": ""}, "title is ''; wanted is text in quotes"),
        ({"name": "w", "threshold": [135, 85], "notes": "x"}, "notes is 'x'; wanted is a list of texts"),
        ({"name": "w", "threshold": [135, 85], "morning": ["04:00", "18:00"]}, "overlap"),
        ({"name": "w", "threshold": [135, 85], "min_days": 9}, "min_days (9) is more than preferred_days (7)"),
        ({"name": "w", "threshold": [135, 85], "per_session": 1, "drop_first_of_session": True}, "leaves nothing"),
    ],
)
def test_mistakes_name_the_key_and_what_is_allowed(given: dict[str, object], told: str) -> None:
    with pytest.raises(ProtocolError) as error:
        custom(given)
    assert told in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("pair", [[60, 30], [260, 160], [135.5, 85]])
def test_a_threshold_may_lie_at_the_ends(pair: list[float]) -> None:
    assert custom({"name": "w", "threshold": pair}).threshold is not None
