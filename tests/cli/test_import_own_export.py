"""`import` of our own exports: into an empty store it gives the same export, into a full one nothing."""

import json
import re
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from relaying import START
from typer.testing import Result

from collector.intake import catch_up, rebuild, settle
from collector.intake.owner import assign_reading
from collector.store import Store, journal, people, upkeep
from collector.store.journal import cuffs, stations, visits
from collector.store.opening import open_store
from collector.store.readings import claims, count, select
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime, build_current_time

Run = Callable[..., Result]


@pytest.fixture
def rich(household: Path) -> Path:
    """The household's store with people, a hand-written reading, odd payloads, and a zone of half an hour."""
    with open_store(household) as store:
        for name in ("mira", "+jon, the 2nd"):
            people.add(store, name, START)
        stations.set_zone(store, "Asia/Kolkata", datetime(2031, 4, 1, tzinfo=UTC))
        for number, payload in enumerate(
            (
                build_measurement(
                    measurement(
                        "17.1",
                        "10.8",
                        "12.9",
                        unit="kPa",
                        pulse="64.0",
                        user_id=255,
                        stamp=DateTime.of(datetime(2031, 4, 2, 7, 30)),
                    )
                ),
                build_measurement(measurement(131, 82, 99)),  # no stamp: its time is its arrival
                bytes.fromhex("00ff07ff07ff07"),  # an attempt that gave no value
            )
        ):
            journal.append(
                store,
                cuff="C0:FF:EE:00:00:09",
                characteristic=0x2A35,
                value=payload,
                source="test",
                arrived_at=datetime(2031, 4, 2, 2, 1, number, 123_456, tzinfo=UTC),
            )
        catch_up(store)
        for index, reading in enumerate(list(select(store))):
            if index % 3:
                claims.claim(store, reading.reading_id, ("mira", "+jon, the 2nd")[index % 2], START)
                row = store.scalar("SELECT id FROM reading WHERE reading_id = ?", (reading.reading_id,))
                assign_reading(store, row)
    return household


@pytest.fixture
def with_hand(rich: Path, quietcuff: Run, tmp_path: Path) -> Path:
    log = tmp_path / "log.csv"
    log.write_text('taken_at,systolic,diastolic,person,arm\n2026-03-07 07:30,128,81.5,mira,"left, =x"\n')
    assert quietcuff("--store", str(rich), "import", str(log)).exit_code == 0
    return rich


@pytest.mark.parametrize("form", ["ndjson", "fhir", "fhir-transaction", "fhir-bulk"])
def test_an_export_taken_into_an_empty_store_is_the_same_export(
    quietcuff: Run, with_hand: Path, tmp_path: Path, form: str
) -> None:
    first, second, empty = tmp_path / "first", tmp_path / "second", tmp_path / "empty.db"
    assert quietcuff("--store", str(with_hand), "export", "--to", form, "-o", str(first)).exit_code == 0
    result = quietcuff("--store", str(empty), "import", str(first))
    assert (result.exit_code, result.stdout) == (0, ""), result.stderr
    assert "29 readings taken" in result.stderr
    assert quietcuff("--store", str(empty), "export", "--to", form, "-o", str(second)).exit_code == 0
    assert second.read_text() == first.read_text()
    with open_store(empty) as store:
        rebuild(store)
    assert quietcuff("--store", str(empty), "export", "--to", form, "-o", str(second)).exit_code == 0
    assert second.read_text() == first.read_text(), "also when derived again"
    again = quietcuff("--store", str(empty), "import", str(first))
    assert "0 readings taken" in again.stderr
    assert "29 were there already" in again.stderr


def test_an_export_of_readings_that_came_twice_leaves_a_sound_store(
    quietcuff: Run, household: Path, tmp_path: Path
) -> None:
    """It was called broken for ever, and could not be backed up, and so was every store that it was merged into."""
    file, there = tmp_path / "all", tmp_path / "there.db"
    quietcuff("--store", str(household), "export", "--to", "ndjson", "-o", str(file))
    assert any(json.loads(line)["sightings"] > 1 for line in file.read_text().splitlines())
    assert quietcuff("--store", str(there), "import", str(file)).exit_code == 0
    here = shutil.copy(household, tmp_path / "here.db")
    for first, second in ((there, household), (here, there)):  # the second time with what the first has of it
        assert quietcuff("--store", str(first), "merge", str(second)).exit_code == 0
    told = []
    for path in (there, here):
        made = quietcuff("--store", str(path), "backup", "now", "--folder", str(tmp_path / path.stem))
        assert (made.exit_code, "verified" in made.stderr) == (0, True), made.stderr
        with open_store(path) as store:
            told.append({one.reading_id: one.sightings for one in select(store)})
            rebuild(store)
            assert {one.reading_id: one.sightings for one in select(store)} == told[-1]
            assert upkeep.integrity(store) == []
    assert told[0] == told[1], "in whatever order"


@pytest.mark.parametrize("form", ["ndjson", "fhir"])
def test_into_the_store_it_came_from_it_changes_nothing(
    quietcuff: Run, with_hand: Path, tmp_path: Path, form: str
) -> None:
    file = tmp_path / "all"
    quietcuff("--store", str(with_hand), "export", "--to", form, "-o", str(file))
    assert "0 readings taken" in quietcuff("--store", str(with_hand), "import", str(file)).stderr
    assert quietcuff("--store", str(with_hand), "export", "--to", form).stdout == file.read_text()


@pytest.mark.parametrize("form", ["ndjson", "fhir"])
def test_what_was_put_right_or_struck_out_there_is_so_here_unless_somebody_said_otherwise(
    quietcuff: Run, household: Path, tmp_path: Path, form: str
) -> None:
    here, there, file = str(tmp_path / "here.db"), str(household), tmp_path / "all"
    shutil.copy(household, here)
    right, out, mine = (json.loads(one)["reading_id"] for one in _readings(quietcuff, there)[:3])
    for words in (("correct", right, "--systolic", "131"), ("strike", out), ("strike", mine)):
        assert quietcuff("--store", there, *words).exit_code == 0
    for words in (("strike", mine), ("strike", "--undo", mine)):
        assert quietcuff("--store", here, *words).exit_code == 0
    file.write_text(quietcuff("--store", there, "export", "--to", form).stdout)
    for _ in range(2):
        assert quietcuff("--store", here, "import", str(file)).exit_code == 0
        marks = {one["reading_id"]: one["marks"] for one in map(json.loads, _readings(quietcuff, here))}
        assert (marks[right], marks[out], marks[mine]) == (["corrected"], ["struck out"], [])
        assert "correction overtaken" not in str(marks)
        assert len(marks) == len(_readings(quietcuff, there))
    assert quietcuff("--store", here, "correct", "--undo", right).exit_code == 0
    quietcuff("--store", here, "import", str(file))
    quietcuff("--store", there, "merge", here)
    assert quietcuff("--store", there, "rebuild").exit_code == 0
    for store in (here, there):
        marks = {one["reading_id"]: one["marks"] for one in map(json.loads, _readings(quietcuff, store))}
        assert marks[right] == []


def _readings(quietcuff: Run, store: str) -> list[str]:
    return quietcuff("--store", store, "readings", "--json").stdout.splitlines()


@pytest.mark.parametrize("form", ["fhir", "fhir-bulk"])
def test_clocks_that_come_with_an_export_bear_on_what_is_there(quietcuff: Run, tmp_path: Path, form: str) -> None:
    whole, part, file = tmp_path / "whole.db", tmp_path / "part.db", tmp_path / "all"
    with open_store(whole) as store:
        stations.set_zone(store, "Europe/Lisbon", datetime(2031, 1, 1, tzinfo=UTC))
    shutil.copy(whole, part)
    for path, every in ((whole, 60), (part, 240)):
        with open_store(path) as store:
            for day in range(0, 300, every):
                _visited(store, START + timedelta(days=day), gains=day / 10)
            zones = stations.zones(store)
    assert quietcuff("--store", str(whole), "export", "--to", form, "-o", str(file)).exit_code == 0
    assert "3 readings taken" in quietcuff("--store", str(part), "import", str(file)).stderr
    before = quietcuff("--store", str(part), "export", "--to", "ndjson").stdout
    with open_store(part) as store:
        assert stations.zones(store) == zones
        rebuild(store)
    assert quietcuff("--store", str(part), "export", "--to", "ndjson").stdout == before


def test_an_export_says_nothing_of_a_stations_zone_in_the_other_half_of_the_year(
    quietcuff: Run, tmp_path: Path
) -> None:
    """It shows by how much the clock was ahead alone: a zone guessed from that went home with the next merge."""
    ours, theirs, file = tmp_path / "ours.db", tmp_path / "theirs.db", tmp_path / "all"
    for path in (ours, theirs):
        with open_store(path) as store:
            stations.set_zone(store, "Europe/Lisbon", datetime(2031, 1, 1, tzinfo=UTC))
    with open_store(theirs) as store:
        _visited(store, datetime(2031, 7, 1, 7, tzinfo=UTC), gains=0)
        zones = stations.zones(store)[store.own_station]
    assert quietcuff("--store", str(theirs), "export", "--to", "fhir", "-o", str(file)).exit_code == 0
    assert "1 reading taken" in quietcuff("--store", str(ours), "import", str(file)).stderr
    assert quietcuff("--store", str(theirs), "merge", str(ours)).exit_code == 0
    with open_store(theirs) as store:
        assert stations.zone_at(store, datetime(2031, 12, 1, tzinfo=UTC), store.own_station) == "Europe/Lisbon"
        assert {zone for _, zone in stations.zones(store)[store.own_station]} == {zone for _, zone in zones}


def _visited(store: Store, at: datetime, gains: float) -> None:
    shown = at + timedelta(seconds=gains)
    visit = visits.open_visit(store, "C0:FF:EE:00:00:01", "virtual", at)
    visits.learn_value(store, visit, 0x2A2B, build_current_time(shown.replace(tzinfo=None)), at)
    stamp = DateTime.of((shown - timedelta(hours=3)).replace(tzinfo=None))
    journal.append(store, cuff="C0:FF:EE:00:00:01", characteristic=0x2A35, source="virtual", visit=visit,
                   value=build_measurement(measurement(128, 81, stamp=stamp)), arrived_at=at)  # fmt: skip
    visits.close_visit(store, visit, at, "cuff left")
    catch_up(store)
    settle(store, visit)


def test_a_record_that_the_cuff_sends_later_is_the_same_reading(
    quietcuff: Run, household: Path, tmp_path: Path
) -> None:
    file, empty = tmp_path / "all", tmp_path / "empty.db"
    quietcuff("--store", str(household), "export", "--to", "ndjson", "-o", str(file))
    quietcuff("--store", str(empty), "import", str(file))
    with open_store(empty) as store:
        one = next(iter(select(store)))
        journal.append(
            store,
            cuff=one.cuff,
            characteristic=0x2A35,
            value=bytes.fromhex(one.payload),
            source="test",
            arrived_at=datetime(2031, 5, 1, tzinfo=UTC),
        )
        catch_up(store)
        assert count(store) == 25
        assert next(iter(select(store))).taken_at == one.taken_at


def respelt(line: str, member: str, value: str) -> str:
    return re.sub(rf'"{member}": "[^"]*"', lambda _: f'"{member}": "{value}"', line)


@pytest.mark.parametrize(
    ("spoil", "complaint"),
    [
        (lambda lines: [*lines[:4], lines[4][:50], *lines[5:]], "line 5: not a reading as quietcuff writes it"),
        (lambda lines: [*lines[:4], lines[4].replace('"systolic": ', '"systolic": "x'), *lines[5:]], "line 5: not"),
        (lambda lines: [lines[0].replace("+00:00", "")], "line 1: not a reading"),
        (lambda lines: [respelt(lines[0], "reading_id", "a\\u001b[2J")], "reading_id is none that quietcuff"),
        (lambda lines: [respelt(lines[0], "reading_id", 'a\\",\\"b')], "reading_id is none that quietcuff"),
        (lambda lines: [respelt(lines[0], "cuff", "C0\\u001b[2J")], "cuff is no name to print"),
        (lambda lines: ['{"resourceType": "Bundle", "entry": ['], "cut off"),
    ],
)
def test_one_bad_line_and_nothing_is_taken(
    quietcuff: Run, household: Path, tmp_path: Path, spoil: Callable[[list[str]], list[str]], complaint: str
) -> None:
    lines = quietcuff("--store", str(household), "export", "--to", "ndjson").stdout.splitlines()
    file, empty = tmp_path / "all.ndjson", tmp_path / "empty.db"
    file.write_text("\n".join(spoil(lines)) + "\n")
    result = quietcuff("--store", str(empty), "import", str(file))
    assert result.exit_code == 1
    assert complaint in result.stderr
    assert "nothing was taken" in result.stderr
    with open_store(empty) as store:
        assert count(store) == 0
        assert cuffs.every(store) == []


def test_a_log_s_options_are_not_for_exports(quietcuff: Run, household: Path, tmp_path: Path) -> None:
    file = tmp_path / "all.ndjson"
    quietcuff("--store", str(household), "export", "--to", "ndjson", "-o", str(file))
    assert quietcuff("--store", str(household), "import", str(file), "--skip-bad").exit_code == 2


def test_the_same_reading_whatever_the_zone(quietcuff: Run, household: Path, tmp_path: Path) -> None:
    line = json.loads(quietcuff("--store", str(household), "export", "--to", "ndjson").stdout.splitlines()[0])
    for number, offset in enumerate(("+05:45", "-03:30", "+14:00", "-12:00", "+13:45", "+00:00")):
        file, store = tmp_path / "one.ndjson", tmp_path / f"{number}.db"
        file.write_text(json.dumps({**line, "taken_at": f"2031-03-04T07:12:30{offset}"}))
        assert quietcuff("--store", str(store), "import", str(file)).exit_code == 0
        back = json.loads(quietcuff("--store", str(store), "export", "--to", "ndjson").stdout)
        assert back["taken_at"] == f"2031-03-04T07:12:30{offset}"
    file.write_text(json.dumps({**line, "taken_at": "2031-03-04T07:12:30+03:17"}))
    quietcuff("--store", str(tmp_path / "x.db"), "import", str(file))
    with open_store(tmp_path / "x.db") as odd:
        (trouble,) = journal.troubles(odd)
        assert "no zone of the world" in (trouble.reason or "")


@pytest.mark.parametrize("form", ["fhir", "fhir-bulk"])
def test_a_record_of_the_clinic_leads_there_and_back(quietcuff: Run, rich: Path, tmp_path: Path, form: str) -> None:
    """2.999 is the OID arc for examples (ITU-T X.660)."""
    config, file, empty = tmp_path / "q.toml", tmp_path / "out", tmp_path / "empty.db"
    config.write_text('[people.mira]\nrecord = "urn:oid:2.999.1|P 4711"\n')
    with_config = ("--config", str(config), "--store")
    assert quietcuff(*with_config, str(rich), "export", "--to", form, "-o", str(file)).exit_code == 0
    found = (
        [json.loads(line) for line in file.read_text().splitlines()]
        if form == "fhir-bulk"
        else [entry["resource"] for entry in json.loads(file.read_text())["entry"]]
    )
    patients = [one["identifier"][0] for one in found if one["resourceType"] == "Patient"]
    assert ("urn:oid:2.999.1", "P 4711") in {(one.get("system"), one["value"]) for one in patients}
    assert "mira" not in {one["value"] for one in patients}
    assert quietcuff(*with_config, str(empty), "import", str(file)).exit_code == 0
    for path in (rich, empty):
        assert "mira" in quietcuff("--store", str(path), "person", "list").stdout
    again = quietcuff(*with_config, str(empty), "export", "--to", form)
    assert again.stdout == file.read_text()


def test_a_number_that_two_clinics_gave_out_makes_no_one_of_two_people(
    quietcuff: Run, rich: Path, tmp_path: Path
) -> None:
    """Seen: both came in as '4711', and one's readings were the other's; so did whoever is called 4711 here."""
    config, file, other = tmp_path / "q.toml", tmp_path / "out", tmp_path / "other.db"
    records = "".join(f'[people.{one}]\nrecord = "https://{one}.example|4711"\n' for one in ("mira", "anna"))
    config.write_text(records)
    for one in ("anna", "4711"):
        assert quietcuff("--store", str(rich), "person", "add", one).exit_code == 0
        assert quietcuff("--store", str(other), "person", "add", one).exit_code == 0
    log = tmp_path / "log.csv"
    log.write_text("taken_at,systolic,diastolic,person\n2026-03-01 07:30,128,81,anna\n2026-03-02 07:30,126,80,4711\n")
    assert quietcuff("--store", str(rich), "import", str(log)).exit_code == 0
    assert (
        quietcuff("--config", str(config), "--store", str(rich), "export", "--to", "fhir", "-o", str(file)).exit_code
        == 0
    )
    done = quietcuff("--store", str(other), "import", str(file))
    assert done.exit_code == 0, done.stderr
    with open_store(rich, read_only=True) as store:
        before = {one.reading_id: one.person for one in select(store)}
    with open_store(other, read_only=True) as store:
        after = {one.reading_id: one.person for one in select(store)}
    called = {"mira": "https://mira.example|4711", "anna": "https://anna.example|4711"}
    assert after == {key: called.get(one or "", one) for key, one in before.items()}


def test_a_number_that_a_server_put_before_ours_names_nobody(quietcuff: Run, rich: Path, tmp_path: Path) -> None:
    file, other = tmp_path / "out", tmp_path / "other.db"
    assert quietcuff("--store", str(rich), "export", "--to", "fhir", "-o", str(file)).exit_code == 0
    told = json.loads(file.read_text())
    for entry in told["entry"]:
        if entry["resource"]["resourceType"] == "Patient":
            entry["resource"]["identifier"].insert(0, {"system": "https://server.example", "value": "17"})
    file.write_text(json.dumps(told))
    assert quietcuff("--store", str(other), "import", str(file)).exit_code == 0
    with open_store(rich, read_only=True) as here, open_store(other, read_only=True) as there:
        assert [one.person for one in select(there)] == [one.person for one in select(here)]


def test_open_mhealth_is_recognised_and_told(quietcuff: Run, rich: Path, tmp_path: Path) -> None:
    points = tmp_path / "points.json"
    assert quietcuff("--store", str(rich), "export", "--to", "omh", "-o", str(points)).exit_code == 0
    done = quietcuff("--store", str(tmp_path / "new.db"), "import", str(points))
    assert done.exit_code == 1
    assert "Open mHealth" in done.stderr
    assert "nothing was taken" in done.stderr
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize("form", ["ndjson", "fhir-bulk"])
def test_the_longest_note_comes_back_in_and_through_a_merge(quietcuff: Run, tmp_path: Path, form: str) -> None:
    """One long note in one line, and the whole export was refused: its payload, in hex, is longer than any text."""
    stores = [str(tmp_path / f"{name}.db") for name in ("written", "back", "merged")]
    words = ("\U0001f600" * 1990, "a" * 1990)
    log = tmp_path / "log.csv"
    log.write_text(f"taken_at,systolic,diastolic,arm,note\n2026-03-04 07:30,128,81,{words[0]},{words[1]}\n", "utf-8")
    assert quietcuff("--store", stores[0], "import", str(log)).exit_code == 0
    written = quietcuff("--store", stores[0], "export", "--to", form).stdout
    (tmp_path / "export").write_text(written, "utf-8")
    back = quietcuff("--store", stores[1], "import", str(tmp_path / "export"))
    assert back.exit_code == 0, back.stderr
    assert quietcuff("--store", stores[2], "merge", stores[1]).exit_code == 0
    assert quietcuff("--store", stores[2], "check").stdout.count("values:") == 0
    for store in stores[1:]:
        assert quietcuff("--store", store, "export", "--to", form).stdout == written


@pytest.mark.parametrize(
    ("form", "once", "twice", "told"),
    [
        ("ndjson", '"systolic": ', '"systolic": 99, "systolic": ', r"line 1: .*'systolic' stands there twice"),
        ("fhir", '"code":"8480-6"', '"code":"x","code":"8480-6"', r"entry \d: 'code' stands there twice"),
        ("fhir", '"resourceType":"Bundle"', '"entry":[],"resourceType":"Bundle"', "'entry' stands twice in the B"),
        ("fhir-bulk", '"value":', '"value":99,"value":', r"line \d: 'value' stands there twice"),
    ],
)
def test_of_two_values_of_one_name_none_is_taken_silently(
    quietcuff: Run, with_hand: Path, tmp_path: Path, form: str, once: str, twice: str, told: str
) -> None:
    """JSON leaves open which holds; the last did, and nobody was told."""
    file, empty = tmp_path / "file", tmp_path / "empty.db"
    assert quietcuff("--store", str(with_hand), "export", "--to", form, "-o", str(file)).exit_code == 0
    text = file.read_text("utf-8")
    assert once in text
    file.write_text(text.replace(once, twice, 1), "utf-8")
    result = quietcuff("--store", str(empty), "import", str(file))
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    assert re.search(rf"file: {told}.*; nothing was taken$", line), line
    with open_store(empty) as store:
        assert count(store) == 0


def test_a_namesake_of_another_station_has_no_handle_for_a_name_here(quietcuff: Run, tmp_path: Path) -> None:
    """Seen: after a merge two people were called 'mira#25fd21c8', and receivers took them for one."""
    north, south, here, file, log = (tmp_path / name for name in ("n.db", "s.db", "here.db", "out", "log.csv"))
    for day, store in enumerate((north, south), 1):
        log.write_text(f"taken_at,systolic,diastolic\n2026-03-0{day} 07:30,12{day},80\n")
        assert quietcuff("--store", str(store), "person", "add", "mira").exit_code == 0
        assert quietcuff("--store", str(store), "import", str(log), "mira").exit_code == 0
    assert quietcuff("--store", str(north), "merge", str(south)).exit_code == 0
    assert quietcuff("--store", str(north), "export", "--to", "ndjson", "-o", str(file)).exit_code == 0
    called = sorted(json.loads(line)["person"] for line in file.read_text().splitlines())
    for _ in range(2):
        done = quietcuff("--store", str(here), "import", str(file))
        assert done.exit_code == 0, done.stderr
    assert "2 were there already" in done.stderr
    assert quietcuff("--store", str(here), "merge", str(north)).exit_code == 0
    with open_store(here, read_only=True) as store:
        assert sorted(one.name for one in people.every(store)) == sorted(
            [*called, *(one.replace("#", " ") for one in called)]
        )
    refused = quietcuff("--store", str(here), "person", "add", "mira#25fd21c8")
    assert (
        refused.stderr == "quietcuff: 'mira#25fd21c8' is how two people of one name are told apart; leave the # out\n"
    )
