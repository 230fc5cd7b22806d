"""`systemd/quietcuff.service` as it is, under a real systemd, beside a real kernel and bluetoothd."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
PROJECT = HERE.parents[1]
SECONDS = 900  # software emulation on a machine that others use too

pytestmark = pytest.mark.stack


@pytest.fixture(scope="module")
def steps(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """What the guest saw, step by step."""
    work = tmp_path_factory.mktemp("unit")
    for source in (HERE / "guest").glob("*.py"):
        shutil.copy(source, work)
    (work / "job.sh").write_text(f"export PYTHONPATH='{PROJECT}' PROJECT='{PROJECT}'\n'{sys.executable}' unit.py\n")
    subprocess.run([HERE / "lab/prepare"], check=True, capture_output=True, timeout=600)
    subprocess.run([HERE / "lab/run", work, str(SECONDS)], timeout=SECONDS + 60, capture_output=True,
                   env=os.environ | {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"})
    said = (work / "job.out").read_text() if (work / "job.out").exists() else (work / "console.log").read_text()
    found = [json.loads(line.removeprefix("STEP ")) for line in said.splitlines() if line.startswith("STEP ")]
    journal = work / "journal.log"
    if not found or found[-1]["step"] != "done":
        pytest.fail(said[-4000:] + (journal.read_text()[-6000:] if journal.exists() else ""))
    return {step["step"]: step for step in found}


@pytest.mark.timeout(SECONDS + 700)
def test_it_runs_with_one_right_in_the_namespaces_that_the_witness_needs(steps: dict[str, dict[str, Any]]) -> None:
    started = steps["started"]
    only_net_raw = f"{1 << 13:016x}"  # CAP_NET_RAW is 13: linux/capability.h
    assert started["rights"]["effective"] == started["rights"]["bounding"] == only_net_raw
    assert started["rights"]["seccomp"] == "2"  # a filter: proc(5)
    assert started["rights"]["no_new_privs"] == "1"
    assert started["rights"]["uid"] != 0
    assert started["shares"] == {"net": True, "user": True}
    assert (started["state"], started["store"]) == ("0o700", "0o600")


def test_every_record_is_kept_once(steps: dict[str, dict[str, Any]]) -> None:
    for name in ("first visit", "later visit"):
        step = steps[name]
        assert step["confirmed"] == step["kept"] == step["sent"], step
        assert step["twice"] == 0
    assert set(steps["conditions"]["sources"]) == {"witness"}
    assert steps["conditions"]["descriptors"] == "2"


def test_killed_it_loses_nothing_that_is_said_meanwhile(steps: dict[str, dict[str, Any]]) -> None:
    down = steps["while it was down"]
    assert down["confirmed_when_killed"] < down["sent"], "nothing was left to say"
    assert down["confirmed"] == down["kept"] == down["sent"], down
    assert down["twice"] == 0
    assert steps["back again"]["restarts"] == "1"
    assert steps["back again"]["descriptors"] == "2"


def test_it_stops_cleanly(steps: dict[str, dict[str, Any]]) -> None:
    assert steps["stopped"]["result"] == "success"
    assert steps["stopped"]["status"] == "0"
