"""A store in which everything happened that intake has a rule for; everybody and every cuff in it is invented.

Always the same: what is by chance comes from one seed.
"""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from random import Random

from collector import intake
from collector.intake.sources import own_export
from collector.store import Store, StoreError, journal, people, readings
from collector.store.journal import stations, visits
from collector.store.people import slot_spans
from collector.store.readings import claims, strikes
from parsers.measurement import Measurement, build_enhanced, build_measurement, measurement
from parsers.pressure import Unit
from parsers.record import build_segments
from parsers.stamps import EpochTime, build_current_time, build_date_time
from parsers.uuids import Uuid

START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
CUFFS = tuple(f"C0:FF:EE:00:00:{number:02X}" for number in range(1, 6))
BY_READING, UNSTAMPED, STORED, LIVE_ONLY = CUFFS[:4]


def fill(store: Store, seed: int = 20, days: int = 60, live: bool = True) -> None:
    """live: taken up as it comes, as a listener does; else left to be caught up."""
    chance = Random(seed)
    stations.set_zone(store, "Europe/Vienna", datetime(1970, 1, 1, tzinfo=UTC))
    stations.set_zone(store, "America/New_York", START + timedelta(days=days // 2))
    for name in ("Mira", "Jonas"):
        people.add(store, name, START)
    now, off = START, dict.fromkeys(CUFFS, timedelta())
    sent: dict[str, list[tuple[int, bytes]]] = {cuff: [] for cuff in CUFFS}
    for day in range(days):
        now = START + timedelta(days=day, hours=chance.choice((0, 1, 12)))
        if day in (7, 9):
            stations.unsure_clock(store, f"boot {day}", 1000.0 * day)
        elif day == 10:
            stations.clock_known(store, "boot 9", 1000.0 * 9 + 86_400)
        cuff = chance.choice(CUFFS)
        if chance.random() < 0.1:
            off[cuff] = timedelta(minutes=chance.choice((0, 60, -60, -500_000)))
        now = _visit(store, chance, cuff, now, off[cuff], sent[cuff], live)
        if day % 9 == 0:
            _written(store, now, day, live)
        if live and day % 5 == 4:
            _said_by_people(store, chance, day, now)
    if live:
        _exported(store, now)


def _visit(
    store: Store, chance: Random, cuff: str, now: datetime, off: timedelta, sent: list[tuple[int, bytes]], live: bool
) -> datetime:
    visit = visits.open_visit(store, cuff, "virtual", now)
    shown = (now + off).replace(tzinfo=None)
    if chance.random() < 0.5:
        visits.learn_value(store, visit, Uuid.BLOOD_PRESSURE_FEATURE, bytes((chance.choice((5, 0x45)), 0)), now)
    if cuff not in (UNSTAMPED, LIVE_ONLY):
        visits.learn_value(store, visit, Uuid.CURRENT_TIME, build_current_time(shown), now, 0.1)
    elif chance.random() < 0.2:
        visits.learn_value(store, visit, Uuid.DATE_TIME, build_date_time(shown), now)
    if chance.random() < 0.3:
        visits.learn_bond(store, visit, bonded=chance.random() < 0.8, missing_on=None, at=now)
    news: list[tuple[int, bytes]] = []
    for _ in range(chance.randint(0, 4)):
        news += _records(chance, cuff, shown)
    again = chance.sample(sent, min(len(sent), chance.randint(0, 3))) if cuff != STORED else []
    sent += news
    outside = chance.random() < 0.2
    for number, (characteristic, value) in enumerate([*news, *again]):
        now += timedelta(seconds=chance.choice((0, 1, 1, 40)))
        added = journal.append(
            store, cuff=cuff, characteristic=characteristic, value=value, arrived_at=now, source="virtual",
            visit=None if outside else visit, encrypted=chance.choice((None, True, False)),
            mark=f"{now.isoformat()} {number}")  # fmt: skip
        if live:
            intake.interpret(store, added.payload)
    visits.close_visit(store, visit, now, "cuff left")
    if live:
        intake.settle(store, visit)
    return now


def _records(chance: Random, cuff: str, shown: datetime) -> list[tuple[int, bytes]]:
    stamp = shown - timedelta(minutes=chance.choice((0, 0, 1, 700, 3000)))
    systolic, slot = chance.randint(108, 114), chance.choice((None, 1, 2))
    if chance.random() < 0.05:
        return [(Uuid.BLOOD_PRESSURE_MEASUREMENT, b"\x00\x01\x02")]
    if chance.random() < 0.05:
        return [(Uuid.INTERMEDIATE_CUFF_PRESSURE, bytes.fromhex("009100FF07FF07"))]
    if cuff == STORED:
        whole = _enhanced(measurement(systolic, 80, user_id=slot), stamp if chance.random() < 0.8 else None)
        made = build_segments(chance.randint(0, 9), Uuid.ENHANCED_MEASUREMENT, build_enhanced(whole), size=20, crc=True)
        twice = [*made[:1], *made] if chance.random() < 0.2 else made[:1] if chance.random() < 0.1 else made
        return [(Uuid.BLOOD_PRESSURE_RECORD, value) for value in twice]
    kpa = chance.random() < 0.1
    said = measurement(
        "15.1" if kpa else systolic, "10.5" if kpa else 80, unit=Unit.KPA if kpa else Unit.MMHG, user_id=slot,
        stamp=None if cuff == UNSTAMPED else stamp, pulse=chance.choice((None, 61)),
        status=chance.choice((None, 4)))  # fmt: skip
    return [(Uuid.BLOOD_PRESSURE_MEASUREMENT, build_measurement(said))]


def _enhanced(plain: Measurement, stamp: datetime | None) -> Measurement:
    return Measurement(
        flags=0x40,
        unit=plain.unit,
        systolic=plain.systolic,
        diastolic=plain.diastolic,
        mean=plain.mean,
        stamp=None,
        user_facing=stamp and EpochTime.of(stamp),
        pulse=None,
        user_id=plain.user_id,
        status=None,
        characteristic=Uuid.ENHANCED_MEASUREMENT,
    )


def _written(store: Store, now: datetime, day: int, live: bool) -> None:
    for pulse in (None, Decimal(66)):
        row = intake.HandRow(now - timedelta(hours=2), Decimal(131 + day % 2), Decimal(82), pulse, note=f"day {day}")
        added = journal.append(store, cuff="hand", characteristic=intake.HAND_CHARACTERISTIC, value=row.build(),
                               arrived_at=now, source="hand")  # fmt: skip
        if live:
            intake.interpret(store, added.payload)


def _said_by_people(store: Store, chance: Random, day: int, now: datetime) -> None:
    found = [reading.reading_id for reading in readings.select(store)]
    who = chance.choice(("Mira", "Jonas"))
    try:
        if day == 9:
            slot_spans.add(store, "Mira", BY_READING, 1, now)
        elif day == 14:
            slot_spans.add(store, "Jonas", UNSTAMPED, "any", now, since=START + timedelta(days=5), strict=True)
        elif found and day % 2:
            claims.claim(store, chance.choice(found), who, now)
        elif found:
            strikes.strike(store, chance.choice(found), now)
    except StoreError:  # it may be struck out already
        return
    intake.reassign(store)


def _exported(store: Store, now: datetime) -> None:
    """Some readings come back as an export tells of them, under another cuff that was never met here."""
    for reading in list(readings.select(store))[:5]:
        value = own_export.build(reading).replace(reading.cuff.encode(), CUFFS[4].encode())
        value = value.replace(reading.reading_id.encode(), reading.reading_id[::-1].encode())
        journal.append(store, cuff=CUFFS[4], characteristic=own_export.IMPORTED_CHARACTERISTIC, value=value,
                       arrived_at=now, source="import")  # fmt: skip
    intake.catch_up(store)
