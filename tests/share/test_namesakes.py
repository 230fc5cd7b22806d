"""Two people to whom two stations gave one name are never taken for one: on screen, in a file, by a receiver."""

import io
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from relaying import START, Clock, Noting, household, write_down

from collector.intake.erasure import erase_person
from collector.intake.merging import merge
from collector.share.export.context import ExchangeError, ExportContext
from collector.share.export.fhir.bundle import write_collection
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import plan, send
from collector.store import audit, people, readings
from collector.store.database import Store
from collector.store.merge import people_entries
from collector.store.people.unions import unite
from collector.store.values import Selection

CLINIC = Receiver("clinic", "mqtt", "mqtts://clinic.example", last=True)


@pytest.fixture
def ours(tmp_path: Path) -> Iterator[Store]:
    """The store of a household with a mira and a jon, one reading each."""
    with household(tmp_path, "mira", "jon") as store:
        write_down(store, "mira", 0, 121)
        write_down(store, "jon", 1, 122)
        yield store


@pytest.fixture
def theirs(tmp_path: Path) -> Path:
    """Another station's, whose Mira is somebody else."""
    folder = tmp_path / "other"
    folder.mkdir()
    with household(folder, "Mira") as store:
        write_down(store, "Mira", 2, 155)
        return store.path


def owners(store: Store) -> dict[int, str | None]:
    """Whose each systolic pressure is."""
    return {int(one.systolic or 0): one.person for one in readings.select(store)}


def told(receiver: Noting) -> dict[int, str | None]:
    """The same, as the receiver heard it last."""
    return {int(one.systolic or 0): one.person for batch in receiver.batches for one in batch.readings}


def test_each_is_called_so_that_it_can_be_found(ours: Store, theirs: Path) -> None:
    assert owners(ours) == {121: "mira", 122: "jon"}
    merge(ours, theirs)
    called = owners(ours)
    assert called[122] == "jon"
    assert str(called[121]).startswith("mira#")
    assert str(called[155]).startswith("Mira#")
    assert {one.name for one in people.every(ours)} == set(called.values())
    for systolic in (121, 155):
        (found,) = readings.select(ours, Selection(person=called[systolic]))
        assert (found.systolic, found.person) == (systolic, called[systolic])
    assert {change.person for change in audit.changes(ours)} <= set(called.values())


def test_told_apart_or_gone_they_have_their_plain_names_again(ours: Store, theirs: Path) -> None:
    merge(ours, theirs)
    people.rename(ours, str(owners(ours)[155]), "Mira K", START)
    assert owners(ours) == {121: "mira", 122: "jon", 155: "Mira K"}


def test_they_are_two_patients(ours: Store, theirs: Path) -> None:
    merge(ours, theirs)
    file = io.StringIO()
    write_collection(readings.select(ours), file, ExportContext())
    resources = [entry["resource"] for entry in json.loads(file.getvalue())["entry"]]
    assert len({one["subject"]["reference"] for one in resources if one["resourceType"] == "Observation"}) == 3
    assert sum(one["resourceType"] == "Patient" for one in resources) == 3


def test_a_receiver_hears_what_each_is_called_now(ours: Store, theirs: Path) -> None:
    clinic = Noting()
    send(ours, CLINIC, ExportContext(), clinic.connect, Clock())
    merge(ours, theirs)
    send(ours, CLINIC, ExportContext(), clinic.connect, Clock())
    assert told(clinic) == owners(ours)
    assert set(clinic.shown) == set(owners(ours).values())
    people.rename(ours, str(owners(ours)[155]), "Mira K", START)
    send(ours, CLINIC, ExportContext(), clinic.connect, Clock())
    assert told(clinic) == owners(ours) == {121: "mira", 122: "jon", 155: "Mira K"}


def test_after_erasing_one_the_other_has_the_name_alone_again(ours: Store, theirs: Path) -> None:
    clinic = Noting()
    merge(ours, theirs)
    send(ours, CLINIC, ExportContext(), clinic.connect, Clock())
    erase_person(ours, str(owners(ours)[155]))
    send(ours, CLINIC, ExportContext(), clinic.connect, Clock())
    assert told(clinic)[121] == owners(ours)[121] == "mira"


def test_a_receiver_of_one_of_them_hears_of_neither_until_it_is_said_which(ours: Store, theirs: Path) -> None:
    clinic, only_mira = Noting(), replace(CLINIC, people=("mira",))
    send(ours, only_mira, ExportContext(), clinic.connect, Clock())
    assert told(clinic) == {121: "mira"}
    merge(ours, theirs)
    with pytest.raises(ExchangeError, match="relay clinic: people: 2 people are called 'mira'"):
        send(ours, only_mira, ExportContext(), clinic.connect, Clock())
    with pytest.raises(ExchangeError, match="2 people are called 'mira'"):
        plan(ours, only_mira)
    with_handle = replace(only_mira, people=(str(owners(ours)[121]),))
    send(ours, with_handle, ExportContext(), clinic.connect, Clock())
    people.rename(ours, str(owners(ours)[155]), "Mira K", START)
    send(ours, only_mira, ExportContext(), clinic.connect, Clock())
    assert told(clinic) == {121: "mira"}
    assert not any(batch.gone for batch in clinic.batches), "nothing is taken back in the meantime"


def test_a_receiver_of_one_hears_who_is_part_of_them(ours: Store, theirs: Path) -> None:
    """What it has under the other's uid would be nobody's there."""
    merge(ours, theirs)
    uids = people_entries.uids_called(ours)
    kept, other = str(owners(ours)[121]), str(owners(ours)[155])
    unite(ours, kept, other, START)
    told_of = {one.key: one.said["part_of"] for one in people_entries.told(ours, ["mira"]) if one.kind == "person"}
    assert told_of == {uids[kept]: None, uids[other]: uids[kept]}, "and nothing of jon"
