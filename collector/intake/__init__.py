"""From payload to reading: decode, recognise repeats, place in time, find the owner."""

from collector.intake.erasure import Erased, erase_in_backup, erase_person, finish_erasing
from collector.intake.merging import merge
from collector.intake.pipeline import catch_up, interpret, reassign, rebuild, settle, take_up_discovery
from collector.intake.repeats import PayloadOutcome
from collector.intake.sources.hand_log import HAND_CHARACTERISTIC, HandRow

__all__ = [
    "HAND_CHARACTERISTIC",
    "Erased",
    "HandRow",
    "PayloadOutcome",
    "catch_up",
    "erase_in_backup",
    "erase_person",
    "finish_erasing",
    "interpret",
    "merge",
    "reassign",
    "rebuild",
    "settle",
    "take_up_discovery",
]
