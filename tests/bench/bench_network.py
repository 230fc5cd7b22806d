"""One person's week in the central database, among many readings of 200 stations and among few: the ratio.

    python tests/bench/bench_network.py [--readings 10000000] [--few 100000]

The rows are made inside PostgreSQL; the person's own (four a day over three years) are the same in both. Timed is all
that `quietcuff --store postgresql://… average mira --since … --until …` does besides starting Python: connecting,
fetching who there is, the week, the average. Wanted: at most 1.5.
"""

import argparse
import resource
import statistics
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import psycopg
from servers import postgresql

from collector.numbers.average import average
from collector.numbers.protocols import protocol
from collector.numbers.rules import Plan
from collector.share.relay.postgresql_reading import open_central
from collector.share.relay.postgresql_schema import SCHEMA
from collector.share.samples import samples
from collector.store.readings import select
from collector.store.values import Selection

STATIONS = 200
START, MONTHS = datetime(2028, 1, 1, tzinfo=UTC), 36
WEEK = datetime(2030, 6, 3, tzinfo=UTC)
DAYS = (START.replace(year=START.year + MONTHS // 12) - START).days

READINGS = """
INSERT INTO quietcuff.station_reading (station, reading_id, cuff, slot, person, person_uid, zone, systolic, diastolic,
    mean, unit, pulse, taken_at, taken_basis, taken_uncertainty_s, received_at, status, status_raw, features_known,
    assessed, payload, marks, sightings, taken_local, taken_offset_min, systolic_mmhg, diastolic_mmhg, mean_mmhg,
    pulse_bpm)
SELECT md5('station' || n % {stations}), substr(md5('{who}' || n), 1, 16), 'C0:FF:EE:00:' || n % {stations}, 1,
    '{who}', {uid}, 'Europe/Lisbon', 110 + n % 60, 81, 97, 'mmHg', 64, taken, 'cuff clock corrected', 1,
    taken + interval '30 s', '{{}}', 0, true, '{{body movement}}', repeat('00', 19), '{{}}', 1, taken::timestamp, 0,
    110 + n % 60, 81, 97, 64
FROM generate_series(0, {count} - 1) AS n,
    LATERAL (SELECT timestamptz '{start}' + n::float8 / {count} * interval '{days} days' AS taken) AS one
"""
ENTRIES = """
INSERT INTO quietcuff.station_entry (station, kind, key, place, person_uid, said)
SELECT md5('station' || n), kind, CASE kind WHEN 'person' THEN {uid} ELSE 'C0:FF:EE:00:' || n END, 1,
    CASE kind WHEN 'person' THEN {uid} END, CASE kind
    WHEN 'person' THEN jsonb_build_object(
        'name', '{who}' || {number}, 'gone', 0, 'part_of', null, 'changed_at', 1, 'cuff', null)
    ELSE jsonb_build_object('name', null, 'name_set_at', 0, 'forgotten', 0, 'forgotten_set_at', 0) END
FROM generate_series(0, {stations} - 1) AS n, (VALUES ('person'), ('cuff')) AS kinds (kind)
"""
MIRA = "md5('mira')"
OTHERS = f"md5('person' || n % {STATIONS})"


def fill(connection: Any, count: int) -> None:
    """Of each station a person with a share of `count`, and mira of station 0."""
    connection.execute(SCHEMA)
    for year in range(MONTHS // 12):
        connection.execute("SELECT quietcuff.make_months(%s, 12)", (START.replace(year=START.year + year).date(),))
    # Indexes of rows that are there are made much faster than row by row.
    connection.execute("ALTER TABLE quietcuff.station_reading DROP CONSTRAINT station_reading_pkey")
    connection.execute("DROP INDEX quietcuff.station_reading_of_uid, quietcuff.station_reading_taken")
    at = {"start": START.isoformat(), "days": DAYS}
    connection.execute(READINGS.format(stations=STATIONS, who="person", uid=OTHERS, count=count, **at))
    connection.execute(READINGS.format(stations=1, who="mira", uid=MIRA, count=DAYS * 4, **at))
    connection.execute("ALTER TABLE quietcuff.station_reading ADD PRIMARY KEY (reading_id, station, taken_at)")
    connection.execute(SCHEMA)
    connection.execute(ENTRIES.format(stations=STATIONS, who="person", uid=OTHERS, number="n"))
    connection.execute(ENTRIES.format(stations=1, who="mira", uid=MIRA, number="''") + " ON CONFLICT DO NOTHING")
    connection.execute("VACUUM ANALYZE")
    connection.execute("GRANT USAGE ON SCHEMA quietcuff TO doctor")
    connection.execute("GRANT SELECT ON ALL TABLES IN SCHEMA quietcuff TO doctor")
    connection.execute("INSERT INTO quietcuff.may_read VALUES ('doctor', NULL)")


def week(url: str) -> int:
    """How many readings the average of the week took."""
    with open_central(url) as store:
        chosen = Selection(person="mira", since=WEEK - timedelta(1), until=WEEK + timedelta(9))
        found = list(samples(select(store, chosen)))
    rules = protocol("esh-2023", {})
    return average(found, rules, Plan(), WEEK.date(), (WEEK + timedelta(6)).date()).taken


def measured(few: int, many: int, rounds: int) -> None:
    """Both in one server, asked in turn, so that whatever else the machine does is the same for both."""
    with postgresql() as port:
        at = f"postgresql://{{}}@127.0.0.1:{port}/{{}}".format
        with psycopg.connect(at("postgres", "postgres"), autocommit=True) as connection:
            for name in ("few", "many"):
                connection.execute(f"CREATE DATABASE {name}")
            connection.execute("CREATE ROLE doctor LOGIN")
        for name, count in (("few", few), ("many", many)):
            began = time.monotonic()
            with psycopg.connect(at("postgres", name), autocommit=True) as connection:
                fill(connection, count)
                size = connection.execute(
                    "SELECT sum(pg_total_relation_size(inhrelid)) FROM pg_inherits "
                    "WHERE inhparent = 'quietcuff.station_reading'::regclass"
                ).fetchone()
            assert size
            made = time.monotonic() - began
            print(f"{count} readings made in {made:.0f} s, {size[0] / count:.0f} octets each with indexes", flush=True)
        took: dict[str, list[float]] = {"few": [], "many": []}
        for _ in range(rounds + 1):
            for name, each in took.items():
                began = time.monotonic()
                assert week(at("doctor", name)) == 28
                each.append(time.monotonic() - began)
        medians = {name: statistics.median(each[1:]) for name, each in took.items()}
        for name, each in took.items():
            print(f"{name}: her week in {medians[name] * 1000:.0f} ms, the first time in {each[0] * 1000:.0f} ms")
            began, before = time.monotonic(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            with open_central(at("doctor", name)) as store:
                everything = sum(1 for _ in select(store, Selection(person="mira")))
            grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
            print(
                f"  all {everything} of hers in {time.monotonic() - began:.2f} s, {grown / everything:.1f} kB each more"
            )
        print(f"among {many}: {medians['many'] / medians['few']:.2f} x the time among {few}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--readings", type=int, default=10_000_000)
    parser.add_argument("--few", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=15)
    given = parser.parse_args()
    measured(given.few, given.readings, given.rounds)
