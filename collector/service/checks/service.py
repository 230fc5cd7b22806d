"""Does a service listen on this store, may it do what it needs, and what has it to say?"""

import re
from collections.abc import Iterator
from datetime import tzinfo
from pathlib import Path

from collector.radio.plan import UseWitness
from collector.service.checks.finding import Finding, attention, fine
from collector.service.config import Config
from collector.service.config.settings import RadioKind
from collector.store import conditions
from collector.store.database import Store

_CAP_NET_RAW = 13  # capabilities(7), linux/capability.h

CAN_LOSE = (
    "without the witness, records that a known cuff sends right after a start of this machine or of "
    "bluetoothd can be lost"
)


def listening(path: Path, pid: int | None) -> Finding:
    """pid: of the service that listens on the store at `path`, None for none."""
    if pid is None:
        return attention(
            "service",
            f"nothing collects readings into {path}",
            "sudo systemctl enable --now quietcuff, or run `quietcuff listen`",
        )
    return fine("service", f"process {pid} listens")


def may_witness(pid: int, proc: Path = Path("/proc")) -> bool | None:
    """Whether the process has CAP_NET_RAW, which the kernel's monitor channel wants; None: cannot be told."""
    try:
        lines = (proc / str(pid) / "status").read_text().splitlines()
    except OSError:
        return None
    for line in lines:
        if line.startswith("CapEff:"):
            return bool(int(line.split()[1], 16) >> _CAP_NET_RAW & 1)
    return None


def witness(config: Config, pid: int | None, told: set[str], proc: Path = Path("/proc")) -> Iterator[Finding]:
    """told: topics of what the service tells itself, which goes before what we infer."""
    if config.radio.kind is not RadioKind.BLUEZ or "witness" in told:
        return
    if config.radio.witness is UseWitness.OFF:
        yield attention(
            "witness", f"switched off in the configuration; {CAN_LOSE}", 'take witness = "off" out of [radio]'
        )
    elif pid is not None and may_witness(pid, proc) is False:
        yield attention(
            "witness", f"process {pid} has no CAP_NET_RAW; {CAN_LOSE}", "run it by the systemd unit, which grants it"
        )
    elif pid is not None:
        yield fine("witness", "allowed")


def standing_conditions(store: Store, pid: int | None, zone: tzinfo | None) -> Iterator[Finding]:
    """What the service keeps telling. Without a service it is the last it said."""
    for condition in conditions.current(store):
        since = condition.since.astimezone(zone).isoformat(" ", "minutes")
        said = f"since {since}" if pid is not None else f"last said, {since}"
        text = re.sub(r"; trying again every [^;]*$", "", condition.text)
        what, _, remedy = text.partition("; ")
        yield attention(condition.topic, f"{what} ({said})", remedy or "see the service's log")
