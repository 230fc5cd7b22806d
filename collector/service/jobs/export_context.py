"""What the open formats tell besides the readings, gathered from a store: cuffs, clocks, why values are missing."""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from functools import lru_cache, partial
from importlib.metadata import version
from typing import Any
from zoneinfo import ZoneInfo

from collector.intake.time.arrival_times import ArrivalTimes, arrival_times
from collector.service.config import Config
from collector.share.export.context import ExportContext, ExportedClock, ExportedCuff, Latest, Subject
from collector.store.database import Store
from collector.store.instants import from_us, to_us
from collector.store.journal import cuffs, stations, visit_facts, visits
from collector.store.values import Reading
from parsers.cuff_clock import clock_shown
from parsers.device import build_text, parse_text
from parsers.errors import ParseError
from parsers.measurement import Measurement, parse_enhanced, parse_measurement
from parsers.sfloat import Absence, SFloat
from parsers.uuids import Uuid

_REASONS = {
    Absence.NAN: "not-a-number",
    Absence.PLUS_INFINITY: "positive-infinity",
    Absence.MINUS_INFINITY: "negative-infinity",
    Absence.NRES: "error",
    Absence.RESERVED: "error",
}
"""Codes of HL7's data-absent-reason as the Personal Health Device guide maps them (page FLOATs)."""
_TEXTS = {
    "manufacturer": Uuid.MANUFACTURER_NAME,
    "model": Uuid.MODEL_NUMBER,
    "serial": Uuid.SERIAL_NUMBER,
    "firmware": Uuid.FIRMWARE_REVISION,
    "hardware": Uuid.HARDWARE_REVISION,
    "software": Uuid.SOFTWARE_REVISION,
}
"""What a cuff says of itself, by the field of an `ExportedCuff` that holds it."""
_WINDOW = 1000


def subjects_of(config: Config) -> dict[str, Subject]:
    """The people whose medical record the configuration names."""
    return {name: Subject(*person.record.split("|", 1)) for name, person in config.people.items() if person.record}


def plans_of(config: Config) -> dict[str, dict[str, Any]]:
    """What the configuration says of each person, as plain values."""
    return {
        name: {
            key: list(value) if isinstance(value, tuple) else value for key, value in asdict(person).items() if value
        }
        for name, person in config.people.items()
    }


def _latest(store: Store, config: Config, names: Sequence[str]) -> list[Latest]:
    from collector.service.jobs.relayed_series import latest_series  # brings the numbers, which most exports need not

    return latest_series(store, config, names)


def export_context(store: Store, config: Config) -> ExportContext:
    """The surroundings of an export or a relay from this store."""
    station = stations.own_uid(store).hex()
    facts = {cuff.address: _facts(store, cuff.address) for cuff in cuffs.every(store, forgotten=True)}
    several = len(stations.uids(store)) > 1
    return ExportContext(
        station=station,
        station_of=partial(_station_of, store, station) if several else None,
        version=version("quietcuff"),
        cuffs=facts,
        clock_reading=StoredClockReadings(store),
        absent=absent,
        subjects=subjects_of(config),
        plans=plans_of(config),
        latest=partial(_latest, store, config),
    )


def _station_of(store: Store, own: str, reading: Reading) -> str:
    """Where the reading was first received."""
    found = stations.of_reading(store, reading.reading_id)
    return found.hex() if found else own


def _facts(store: Store, address: str) -> ExportedCuff:
    read = visits.values_of(store, address)

    def text(characteristic: Uuid) -> str | None:
        return (parse_text(read[characteristic][0]) or None) if characteristic in read else None

    system_id = read[Uuid.SYSTEM_ID][0] if Uuid.SYSTEM_ID in read else None
    return ExportedCuff(
        address=address,
        system_id=system_id if system_id and len(system_id) == 8 else None,
        **{name: text(characteristic) for name, characteristic in _TEXTS.items()},
    )


def values_of_facts(facts: ExportedCuff) -> dict[int, bytes]:
    """The same as the characteristics that a cuff says it by."""
    values: dict[int, bytes] = {
        characteristic: build_text(text) for name, characteristic in _TEXTS.items() if (text := getattr(facts, name))
    }
    return values | ({Uuid.SYSTEM_ID: facts.system_id} if facts.system_id else {})


class StoredClockReadings:
    """Finds the reading of a cuff's clock nearest to a reading's arrival; holds a window of each cuff's, not all."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._arrived: ArrivalTimes | None = None
        self._windows: dict[str, _Window] = {}

    def __call__(self, reading: Reading) -> ExportedClock | None:
        window = self._windows.get(reading.cuff)
        at = to_us(reading.received_at)
        if window is None or not window.covers(at):
            window = self._windows[reading.cuff] = self._around(reading.cuff, at)
        return window.nearest(at)

    def _around(self, cuff: str, at: int) -> "_Window":
        self._arrived = self._arrived or arrival_times(self._store)
        read = visit_facts.clock_values_near(self._store, cuff, at, before=2, after=_WINDOW)
        clocks = []
        for value in read:
            true = self._arrived.at(value.at, value.clock_id)
            at_station = from_us(true).astimezone(_zone(self._arrived.zone(value.station, true)))
            clocks.append(
                (value.at, ExportedClock(value.row, cuff, at_station, clock_shown(value.characteristic, value.value)))
            )
        until = clocks[-1][0] if len(read) >= _WINDOW else None
        return _Window(
            at if not clocks else min(at, clocks[0][0]),
            until,
            [time for time, _ in clocks],
            [clock for _, clock in clocks],
        )


class _Window:
    """Readings of the clock in the order of their times; begins, until: arrivals for which it holds the nearest."""

    def __init__(self, begins: int, until: int | None, times: list[int], clocks: list[ExportedClock]) -> None:
        self._begins, self._until, self._times, self._clocks = begins, until, times, clocks

    def covers(self, at: int) -> bool:
        return self._begins <= at and (self._until is None or at <= self._until)

    def nearest(self, at: int) -> ExportedClock | None:
        if not self._clocks:
            return None
        index = bisect_left(self._times, at)
        if index == len(self._times) or (index and at - self._times[index - 1] <= self._times[index] - at):
            index -= 1
        return self._clocks[index]


def absent(reading: Reading) -> Mapping[str, str]:
    """Why values of a cuff's reading are missing, from its payload; nothing for what it cannot tell."""
    return _absent(reading.payload, reading.systolic is None)


@lru_cache(maxsize=256)
def _absent(payload: str, no_systolic: bool) -> Mapping[str, str]:
    for parse in (parse_measurement, parse_enhanced):
        try:
            measurement = parse(bytes.fromhex(payload))
        except (ParseError, ValueError):
            continue
        if (measurement.systolic.value is None) == no_systolic:
            return _reasons(measurement)
    return {}


def _reasons(measurement: Measurement) -> Mapping[str, str]:
    numbers: dict[str, SFloat | None] = {
        "systolic": measurement.systolic,
        "diastolic": measurement.diastolic,
        "mean": measurement.mean,
        "pulse": measurement.pulse,
    }
    return {name: _REASONS[number.absence] for name, number in numbers.items() if number and number.absence}


@lru_cache(maxsize=64)
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)
