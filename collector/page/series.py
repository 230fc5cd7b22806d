"""One person's readings with the rules that hold for them: what most pages begin with."""

from dataclasses import dataclass

from collector.numbers.overview import KnownOfPerson, Overview, overview
from collector.numbers.rules import Plan, Protocol
from collector.numbers.values import Sample
from collector.page.visitor import ServedStation
from collector.service.config.plans import in_force
from collector.share.report.days import made
from collector.share.samples import known
from collector.share.text.cautions import very_high
from collector.share.text.reading_table import pressure, remarks
from collector.store import readings
from collector.store.journal import cuffs
from collector.store.people.persons import Person
from collector.store.readings import arrived
from collector.store.values import VOID_MARKS, Reading, Selection


@dataclass(frozen=True, slots=True)
class PersonSeries:
    person: Person
    protocol: Protocol
    plan: Plan
    readings: tuple[Reading, ...]  # all, oldest first
    known: KnownOfPerson

    @property
    def samples(self) -> tuple[Sample, ...]:
        return self.known.samples

    def overview(self) -> Overview:
        """Of the most recent series."""
        return overview(self.known, self.protocol, self.plan)


def series_of(station: ServedStation, person: Person) -> PersonSeries:
    """Raises StoreError and ConfigError, each in one line for a person."""
    rules, plan = in_force(station.config, person.name)
    found = tuple(readings.select(station.store, Selection(person=person.name)))
    return PersonSeries(
        person=person, protocol=rules, plan=plan, readings=found, known=known(station.store, person.name, found)
    )


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """A reading in the words of the command line."""

    reading_id: str
    taken: str
    iso: str
    pressure: str
    pulse: str
    person: str | None
    slot: int | None
    cuff: str
    remarks: str
    very_high: bool
    void: bool  # struck out or corrected: counts no longer


def line(reading: Reading, names: dict[str, str]) -> ReadingRow:
    high = very_high(reading)
    return ReadingRow(
        reading_id=reading.reading_id,
        taken=made(reading.taken_at),
        iso=reading.taken_at.isoformat(timespec="minutes"),
        pressure=" ".join(pressure(reading).split()),
        pulse="" if reading.pulse is None else f"{reading.pulse:f}/min",
        person=reading.person,
        slot=reading.slot,
        cuff=names.get(reading.cuff) or reading.cuff,
        remarks=remarks(reading, high),
        very_high=high,
        void=bool(VOID_MARKS.intersection(reading.marks)),
    )


def cuff_names(station: ServedStation) -> dict[str, str]:
    names = {cuff.address: cuff.name for cuff in cuffs.every(station.store, forgotten=True) if cuff.name}
    return {cuffs.HAND: "by hand", **names}


def latest(station: ServedStation) -> int:
    """What a page says it has seen, for the stream to go on from."""
    return arrived.newest(station.store)
