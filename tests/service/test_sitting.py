"""The guided sitting as a flow: a clock that only waiting moves, keys and readings that come at given seconds."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from one_reading import one_reading

from collector.numbers import words
from collector.numbers.protocols import PROTOCOLS
from collector.numbers.rules import Protocol
from collector.service.guided.screen import Left
from collector.service.guided.sitting import Guide, SittingProgress, SittingRequest
from collector.share.text.preparation import READY, clock_text
from collector.store.values import Basis, Reading

START = datetime(2031, 3, 4, 7, 0, tzinfo=UTC)
ESH = PROTOCOLS["esh-2023"]
MINE = one_reading(
    reading_id="",
    mean=None,
    taken_at=START,
    taken_uncertainty_s=2.0,
    received_at=START,
    assessed=(),
    stamp=None,
    payload="00",
)


class Room:
    """Screen, clock and source in one: a place where one person sits.

    coming: (second, reading); a reading taken at that second unless it says otherwise. keys: (second, key).
    """

    def __init__(self, coming: Sequence[tuple[float, Reading]] = (), keys: Sequence[tuple[float, str]] = ()) -> None:
        self.at = 0.0
        self.coming = [(second, self._dated(number, second, one)) for number, (second, one) in enumerate(coming, 1)]
        self.keys = sorted(keys)
        self.said: list[str] = []
        self.results: list[str] = []
        self.counted: list[str] = []
        self.claimed: list[str] = []
        self.kept: list[tuple[datetime, list[str], list[str]]] = []
        self.deaf: Callable[[float], bool] = lambda at: False

    def _dated(self, number: int, second: float, one: Reading) -> Reading:
        taken = START + timedelta(seconds=second) if one.taken_at == START else one.taken_at
        return replace(one, reading_id=f"r{number}", taken_at=taken)

    def now(self) -> datetime:
        return START + timedelta(seconds=self.at)

    def seconds(self) -> float:
        return self.at

    def say(self, *texts: str) -> None:
        self.said += texts

    def result(self, text: str) -> None:
        self.results.append(text)

    def count(self, text: str, keys: str = "", left_s: float | None = None) -> None:
        self.counted.append(text + keys)

    def settle(self, text: str) -> None:
        self.said.append(f"{self.counted[-1]} {text}")

    def wait(self, seconds: float) -> str:
        assert self.at < 3 * 3600, f"waits for ever; said last: {self.said[-3:]}"
        if self.keys and self.keys[0][0] <= self.at + seconds:
            second, key = self.keys.pop(0)
            self.at = max(self.at, second)
            if key == "end":
                raise Left
            if key == "^C":
                raise KeyboardInterrupt
            return key
        self.at += seconds
        return ""

    def new(self) -> list[Reading]:
        come = [one for second, one in self.coming if second <= self.at]
        self.coming = [(second, one) for second, one in self.coming if second > self.at]
        return come

    def listening(self) -> bool:
        return not self.deaf(self.at)

    def claim(self, reading: Reading) -> None:
        self.claimed.append(reading.reading_id)

    def keep(self, started_at: datetime, prepared: Sequence[str], reading_ids: Sequence[str]) -> None:
        self.kept.append((started_at, list(prepared), list(reading_ids)))

    def sit(self, protocol: Protocol = ESH, **more: object) -> SittingProgress:
        return Guide(SittingRequest("mira", protocol, **more), self, self, self).run()  # type: ignore[arg-type]

    @property
    def text(self) -> str:
        return "\n".join(self.said)


def reading(systolic: int | None = 128, diastolic: int | None = 81, *status: str, **more: object) -> Reading:
    values = [None if value is None else Decimal(value) for value in (systolic, diastolic)]
    return replace(MINE, systolic=values[0], diastolic=values[1], status=status, **more)  # type: ignore[arg-type]


YES = (1, "y")


def test_two_rested_readings_and_their_mean() -> None:
    room = Room([(350, reading(130, 82)), (460, reading(127, 81))], [YES])
    sitting = room.sit()
    assert not sitting.left
    assert room.results == [
        "Reading 1: 130/82 mmHg, pulse 64/min",
        "Reading 2: 127/81 mmHg, pulse 64/min",
        "Mean of this sitting: 128.5/81.5 mmHg, pulse 64/min, from 2 readings",
    ]
    assert room.kept[-1] == (START, [*READY, "rested 5 minutes"], ["r1", "r2"])
    assert room.kept[0][2] == ["r1"]  # kept at once, not at the end
    assert room.said[-1] == words.caution("")
    assert words.ONE_READING in room.said


def test_what_is_to_be_known_beforehand_is_said_first() -> None:
    room = Room([(350, reading()), (460, reading())], [YES])
    room.sit(hint="It is 14:28. A sitting now is kept, but no average will use it.")
    assert room.said[1].startswith("It is 14:28.")


def test_the_rest_counts_down_from_five_minutes_and_the_pause_from_one() -> None:
    room = Room([(350, reading()), (460, reading())], [YES])
    room.sit()
    rests = [line for line in room.counted if line.startswith("Rest ")]
    assert rests[0].startswith("Rest 5:00 ")
    assert rests[-1].startswith("Rest 0:01 ")
    waits = [line for line in room.counted if line.startswith("Wait ")]
    assert waits[0].startswith("Wait 1:00 ")
    measured = [line for line in room.said if line.startswith("Start the cuff now")]
    assert len(measured) == 2


def test_every_line_of_the_preparation_is_shown_and_each_may_be_refused() -> None:
    room = Room([(350, reading()), (460, reading())], [(1, "n"), (2, "y"), (3, "n"), (4, "y"), (5, "y"), (6, "n")])
    room.sit()
    for line in words.PREPARATION:
        assert line in room.text
    assert room.kept[-1][1] == [READY[0], READY[2], READY[3], "rested 5 minutes"]


def test_what_can_be_confirmed_are_the_first_points_of_the_preparation() -> None:
    keywords = ("smoking", "toilet", "back", "arm", "elbow")
    for line, short, keyword in zip(words.PREPARATION, READY, keywords, strict=False):
        assert keyword in line.lower()
        assert keyword in short.lower()
    assert "five quiet minutes" in words.PREPARATION[len(READY)]


def test_a_rest_cut_short_is_written_down() -> None:
    room = Room([(200, reading()), (300, reading())], [YES, (131, "\n")])
    room.sit()
    assert room.kept[-1][1][-1] == "rested 2:10 of 5:00 minutes"


@pytest.mark.parametrize("key", ["q", "^C", "\x03", "end"])
@pytest.mark.parametrize("second", [0.2, 60, 320, 380])
def test_leaving_at_any_point_keeps_what_was_measured(key: str, second: float) -> None:
    room = Room([(350, reading()), (460, reading())], [*([YES] if second > 1 else []), (second, key)])
    sitting = room.sit()
    assert sitting.left
    assert [one.reading_id for one in sitting.taken] == (["r1"] if second > 350 else [])
    assert (room.kept[-1][2] if room.kept else []) == (["r1"] if second > 350 else [])
    assert "You left before the end." in room.text
    assert ("Mean of this sitting: 128.0/81.0" in "".join(room.results)) is (second > 350)


def test_a_reading_before_the_rest_is_over_is_not_part_of_the_sitting() -> None:
    room = Room([(100, reading(150, 90)), (160, reading(149, 90)), (350, reading()), (460, reading())], [YES])
    sitting = room.sit()
    assert [one.reading_id for one in sitting.taken] == ["r3", "r4"]
    assert room.text.count("before the rest was over") == 1


def test_older_readings_of_the_cuffs_memory_are_not_part_of_it() -> None:
    old = reading(160, 99, taken_at=START - timedelta(days=1))
    room = Room([(350, old), (350, reading()), (460, reading())], [YES])
    assert [one.reading_id for one in room.sit().taken] == ["r2", "r3"]
    assert "Older readings came as well" in room.text


def test_somebody_elses_reading_is_neither_shown_nor_counted() -> None:
    room = Room([(350, reading(171, 99, person="rui")), (360, reading()), (460, reading())], [YES])
    assert [one.reading_id for one in room.sit().taken] == ["r2", "r3"]
    assert "171" not in room.text + "".join(room.results)
    assert "quietcuff person claim mira r1" in room.text


def test_what_is_written_down_meanwhile_is_not_part_of_it() -> None:
    """A log that is imported, or a correction of the first reading, which stands in its place."""
    written = reading(150, 90, cuff="hand", taken_basis=Basis.HAND)
    room = Room([(350, reading()), (355, written), (460, reading())], [YES])
    assert [one.reading_id for one in room.sit().taken] == ["r1", "r3"]


def test_an_unassigned_reading_is_claimed_when_the_person_says_it_is_theirs() -> None:
    room = Room(
        [(350, reading(person=None)), (400, reading(171, 99, person=None)), (460, reading(person=None))],
        [YES, (352, "y"), (405, "n"), (470, "y")],
    )
    sitting = room.sit()
    assert room.claimed == ["r1", "r3"]
    assert [one.reading_id for one in sitting.taken] == ["r1", "r3"]
    assert "A reading came: 128/81 mmHg, pulse 64/min, slot 1. It is nobody's yet." in room.text


def test_a_reading_of_uncertain_time_is_asked_about_only_where_it_does_not_fit() -> None:
    far = reading(taken_basis=Basis.CUFF, taken_uncertainty_s=None, taken_at=START - timedelta(days=400))
    fits = reading(taken_basis=Basis.CUFF, taken_uncertainty_s=None)
    room = Room([(350, far), (460, fits)], [YES, (352, "y")])
    assert [one.reading_id for one in room.sit().taken] == ["r1", "r2"]
    assert room.text.count("Its time is not certain. Was it taken just now?") == 1
    refused = Room([(350, far), (360, fits), (460, fits)], [YES, (352, "n")])
    assert [one.reading_id for one in refused.sit().taken] == ["r2", "r3"]


def test_a_very_high_reading_brings_calm_words_a_wait_and_a_repeat() -> None:
    room = Room([(350, reading(184, 101)), (700, reading(150, 90))], [YES])
    sitting = room.sit(emergency="112")
    assert words.very_high() in room.said
    assert words.signs("112") in room.said
    assert words.pregnancy("112") in room.said
    assert words.no_longer_very_high() in room.said
    waits = [line for line in room.counted if line.startswith("Sit quietly ")]
    assert waits[0].startswith("Sit quietly 5:00 ")
    assert not sitting.still_very_high
    assert len(sitting.taken) == 2


def test_still_very_high_ends_the_sitting_with_whom_to_call() -> None:
    room = Room([(350, reading(184, 101)), (700, reading(181, 100))], [YES])
    sitting = room.sit(emergency="112")
    assert sitting.still_very_high
    assert words.still_very_high() in room.said
    assert words.stroke("112") in room.said
    assert room.said.count(words.signs("112")) == 2


@pytest.mark.parametrize(("systolic", "diastolic", "high"), [(180, 80, True), (179, 119, False), (130, 120, True)])
def test_the_bounds_are_very_high_themselves(systolic: int, diastolic: int, high: bool) -> None:
    room = Room([(350, reading(systolic, diastolic)), (700, reading()), (800, reading())], [YES])
    room.sit()
    assert (words.very_high() in room.said) is high


def test_an_irregular_pulse_asks_for_a_third_and_all_three_count() -> None:
    room = Room([(350, reading(130, 80, "irregular pulse")), (460, reading(127, 80)), (560, reading(124, 80))], [YES])
    sitting = room.sit()
    assert len(sitting.counted) == 3
    assert room.said.count(words.THIRD_READING) == 1
    assert "Mean of this sitting: 127.0/80.0 mmHg" in room.results[-1]
    assert "The cuff marked an uneven pulse in 1 of 3 readings" in room.text


def test_atrial_fibrillation_takes_three_from_the_start() -> None:
    room = Room([(350, reading()), (460, reading()), (560, reading())], [YES])
    assert len(room.sit(wanted=3).taken) == 3


def test_a_flagged_or_failed_reading_is_kept_and_does_not_count() -> None:
    room = Room(
        [
            (350, reading(150, 95, "body movement")),
            (450, reading(None, None)),
            (560, reading(128, 80)),
            (660, reading(126, 80)),
        ],
        [YES],
    )
    sitting = room.sit()
    assert room.kept[-1][2] == ["r1", "r2", "r3", "r4"]
    assert len(sitting.counted) == 2
    assert "Mean of this sitting: 127.0/80.0" in room.results[-1]
    assert "The cuff says: body movement. The reading is kept, but it does not count." in room.text
    assert "The cuff got no value." in room.text


def test_it_is_enough_at_some_point() -> None:
    room = Room([(350 + 100 * number, reading(150, 95, "cuff too loose")) for number in range(9)], [YES])
    sitting = room.sit()
    assert len(sitting.taken) == 5
    assert "That is enough for one sitting. 5 readings were taken, 0 of them count." in room.text


def test_a_reading_in_the_pause_is_the_next_one() -> None:
    room = Room([(350, reading()), (370, reading(126, 80))], [YES])
    assert [one.reading_id for one in room.sit().taken] == ["r1", "r2"]


def test_a_first_reading_that_the_protocol_leaves_out_is_not_in_the_mean() -> None:
    room = Room([(350, reading(150, 90)), (460, reading(130, 80)), (560, reading(128, 80))], [YES])
    room.sit(PROTOCOLS["doane-2018"], wanted=3)
    assert "Mean of this sitting: 129.0/80.0 mmHg" in room.results[-1]
    assert "This protocol leaves the first reading of a sitting out." in room.said


def test_kilopascal_are_shown_as_mmhg() -> None:
    kpa = replace(MINE, systolic=Decimal("17.0"), diastolic=Decimal("10.8"), unit="kPa")
    room = Room([(350, kpa), (460, kpa)], [YES])
    room.sit()
    assert room.results[0] == "Reading 1: 128/81 mmHg, pulse 64/min"


def test_a_long_wait_and_a_dead_listener_are_told_once() -> None:
    room = Room([(900, reading()), (1000, reading())], [YES])
    room.deaf = lambda at: 400 <= at < 500
    room.sit()
    assert room.text.count("Nothing has come yet.") == 1
    assert room.text.count("No readings arrive now:") == 1
    assert room.text.count("Readings arrive again.") == 1


def test_low_readings_bring_their_words() -> None:
    room = Room([(350, reading(88, 55)), (460, reading(92, 61))], [YES])
    room.sit(emergency="112")
    assert words.low("112") in room.said


def test_a_countdown_is_written_with_begun_seconds_in_whole() -> None:
    assert [clock_text(value) for value in (300, 299.5, 60, 0.4, 0)] == ["5:00", "5:00", "1:00", "0:01", "0:00"]
