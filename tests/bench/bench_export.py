"""How fast exports are, as ratios to Python's own sqlite3 with csv or json over the same columns, in the same run.

    python tests/bench/bench_export.py [--readings 200000]
    python tests/bench/bench_export.py --readings 2000000 --forms csv,ndjson    # is memory flat?
    python tests/bench/bench_export.py --stations 4 --readings 1000000   # PostgreSQL, everything merged by four at once

Processor time of whole processes, start-up included, best of three; the machine may be busy with other things. Wanted:
CSV and NDJSON at most 3 times the same by Python's own, FHIR at least 20,000 readings a second or 8 times NDJSON.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

from collector.share.export.context import ExportContext
from collector.share.export.formats import FORMATS
from collector.share.relay.target import Batch
from collector.store.instants import to_us
from collector.store.opening import open_store
from collector.store.values import Basis, Reading

START = datetime(2029, 1, 1, tzinfo=UTC)
SAME_COLUMNS = (
    "SELECT reading_id, address, slot, person.name, systolic, diastolic, mean, unit, pulse, taken_at, basis, "
    "uncertainty_s, received_at, status, assessed IS NOT NULL, sightings, hex(payload.value), assessed, stamp, "
    "content_marks || time_marks, note FROM reading JOIN cuff ON cuff.id = reading.cuff_id "
    "JOIN zone ON zone.id = zone_id JOIN payload ON payload.id = payload_id "
    "LEFT JOIN person ON person.id = person_id ORDER BY taken_at, reading_id"
)


def fill(path: Path, count: int) -> None:
    """A store of four invented people's readings, written straight into its tables."""
    with open_store(path) as store, store.transaction():
        store.query("INSERT INTO zone (id, name) VALUES (1, 'Europe/Lisbon')")
        for n in range(4):
            store.query("INSERT INTO cuff (id, address) VALUES (?, ?)", (n + 1, f"C0:FF:EE:00:00:{n:02X}"))
            store.query(
                "INSERT INTO person (id, uid, name, changed_at) VALUES (?, ?, ?, 0)",
                (n + 1, bytes([n]) * 16, ("mira", "jon", "ada", "bo")[n]),
            )
        for n in range(count):
            at = to_us(START + timedelta(minutes=n))
            store.query(
                "INSERT INTO payload (id, uid, station_id, number, cuff_id, characteristic, value, arrived_at, source) "
                "VALUES (?, ?, 1, ?, ?, 10805, ?, ?, 'bench')",
                (n + 1, n.to_bytes(16, "big"), n + 1, n % 4 + 1, bytes(19), at),
            )
            store.query(
                "INSERT INTO reading (reading_id, cuff_id, slot, person_id, systolic, diastolic, mean, unit, pulse, "
                "taken_at, basis, uncertainty_s, zone_id, received_at, status, status_raw, assessed, stamp, content, "
                "content_marks, sightings, payload_id) VALUES "
                "(?, ?, 1, ?, ?, '81', '97', 'mmHg', '64', ?, 'cuff clock corrected', 1.0, 1, ?, ?, ?, "
                "'body movement;irregular pulse', ?, '', '', 1, ?)",
                (
                    f"{n * 2654435761 % 2**64:016x}",
                    n % 4 + 1,
                    n % 4 + 1,
                    str(110 + n % 60),
                    at,
                    at + 30_000_000,
                    "irregular pulse" if n % 20 == 0 else "",
                    4 if n % 20 == 0 else 0,
                    (START + timedelta(minutes=n)).replace(tzinfo=None).isoformat(),
                    n + 1,
                ),
            )


def seconds(*command: str) -> float:
    """Processor time of a command, best of three."""
    best = float("inf")
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        with open(os.devnull, "wb") as nowhere:
            subprocess.run(command, check=True, stdout=nowhere)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        best = min(best, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return best


def peak(*command: str) -> int:
    """Most memory of a command, MB."""
    code = (
        "import resource, subprocess, sys\n"
        "subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL)\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024)"
    )
    return int(
        subprocess.run([sys.executable, "-c", code, *command], check=True, capture_output=True, text=True).stdout
    )


PYTHON = {
    "csv": """
import csv, sqlite3, sys
found = sqlite3.connect(sys.argv[1]).execute(sys.argv[2])
rows = csv.writer(sys.stdout)
rows.writerow([name for name, *_ in found.description])
rows.writerows(found)
""",
    "ndjson": """
import json, sqlite3, sys
found = sqlite3.connect(sys.argv[1]).execute(sys.argv[2])
names = [name for name, *_ in found.description]
for row in found:
    sys.stdout.write(json.dumps(dict(zip(names, row))) + "\\n")
""",
}
"""What anybody would write in a minute: values as the store has them, no time put into words."""


def exports(count: int, forms: Sequence[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "q.db"
        fill(path, count)
        print(f"{count} readings")
        own = {form: seconds(sys.executable, "-c", PYTHON[form], str(path), SAME_COLUMNS) for form in PYTHON}
        took: dict[str, float] = {}
        command = [str(Path(sys.executable).with_name("quietcuff")), "--store", str(path)]
        for form in forms:
            took[form] = seconds(*command, "export", "--to", form)
            memory = peak(*command, "export", "--to", form)
            ratio = f"{took[form] / own[form]:5.2f} x Python's own" if form in own else ""
            print(f"{form:17} {took[form]:6.2f} s  {count / took[form]:8.0f} readings/s  {memory:4} MB  {ratio}")
        if {"fhir", "ndjson"} <= took.keys():
            print(f"FHIR against NDJSON: {took['fhir'] / took['ndjson']:.1f} x")


def readings(station: int, count: int, stations: int) -> Iterator[Reading]:
    """A station's share and half of the next one's, so that half of all arrives twice."""
    share = count // stations
    for n in range(station * share, station * share + share * 3 // 2):
        n %= count
        at = START + timedelta(minutes=n)
        yield Reading(
            reading_id=f"{n:016x}",
            cuff="C0:FF:EE:00:00:01",
            slot=1,
            person="mira",
            systolic=Decimal(110 + n % 60),
            diastolic=Decimal(81),
            mean=Decimal(97),
            unit="mmHg",
            pulse=Decimal(64),
            taken_at=at,
            taken_basis=Basis.CORRECTED,
            taken_uncertainty_s=1.0,
            received_at=at,
            status=(),
            status_raw=0,
            features_known=True,
            assessed=("body movement",),
            stamp=None,
            marks=(),
            sightings=1,
            payload="00" * 19,
        )


def merging(stations: int, count: int) -> None:
    """Several stations at once into one PostgreSQL, each reading brought by one and half of them by two."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
    import psycopg
    from servers import postgresql

    from collector.share.relay.postgresql import Database
    from collector.share.relay.receiver import Receiver

    def station(number: int, port: int) -> None:
        receiver = Receiver("bench", "postgresql", f"postgresql://127.0.0.1:{port}/postgres", user="postgres")
        with Database(receiver, ExportContext(station=f"{number:02x}")) as target:
            batch: list[Reading] = []
            for reading in readings(number, count, stations):
                batch.append(reading)
                if len(batch) == 2000:
                    target.deliver(Batch(batch))
                    batch = []
            target.deliver(Batch(batch))

    with postgresql() as port:
        began = time.monotonic()
        threads = [threading.Thread(target=station, args=(number, port)) for number in range(stations)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        took = time.monotonic() - began
        with psycopg.connect(f"host=127.0.0.1 port={port} user=postgres") as connection:
            found = connection.execute("SELECT count(*), count(DISTINCT reading_id) FROM quietcuff.reading").fetchone()
            months = connection.execute("SELECT count(*) FROM pg_inherits").fetchone()
    assert found
    assert months
    print(
        f"{stations} stations brought {count * 3 // 2} readings, {count} different, in {took:.0f} s "
        f"({count * 3 / 2 / took:.0f}/s): {found[0]} rows, {found[1]} different, lost {count - found[1]}, "
        f"twice {found[0] - found[1]}, in {months[0]} index and table partitions"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--readings", type=int, default=200_000)
    parser.add_argument("--stations", type=int, default=0)
    parser.add_argument("--forms", default=",".join(FORMATS))
    given = parser.parse_args()
    if given.stations:
        merging(given.stations, given.readings)
    else:
        exports(given.readings, given.forms.split(","))
