"""How visits go, and what the radios may do: from the configuration."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class SetClock(StrEnum):
    """Whether a visit may set the cuff's clock."""

    NEVER = "never"
    WHEN_WRONG = "when wrong"
    ALWAYS = "always"


class UseWitness(StrEnum):
    """Whether the BlueZ radio reads the kernel's monitor channel: where it may, at all costs, or not."""

    AUTO = "auto"
    ON = "on"
    OFF = "off"


@dataclass(frozen=True, slots=True)
class VisitPlan:
    """How a visit goes, from the configuration."""

    set_clock: SetClock = SetClock.NEVER
    clock_wrong_after_s: float = 60.0
    zone: str | None = None  # IANA name of the cuffs' wall clock; None: this machine's
    idle_s: float = 30.0  # hang up when a cuff stays silent this long after its last record
    step_timeout_s: float = 10.0
    longest_s: float = 900.0  # no visit lasts longer, whatever the cuff sends
    most_records: int = 10_000  # nor takes more: what an exclusive radio did not confirm comes next time
    fetch_records: bool = True  # ask for stored records where the service 1.1 control point is there
    users: Mapping[str, tuple[tuple[int, int], ...]] = field(default_factory=dict)  # by cuff: user index, consent code
