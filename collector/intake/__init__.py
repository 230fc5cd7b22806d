"""From payload to reading: decode, recognise repeats, place in time, find the owner."""

from collector.intake.derive import Progress, catch_up, interpret, reassign, rebuild, settle
from collector.intake.erasing import Erased, erase_in_backup, erase_person
from collector.intake.hand import HAND_CHARACTERISTIC, HandRow
from collector.intake.merge import merge
from collector.intake.recognise import Outcome

__all__ = [
    "HAND_CHARACTERISTIC",
    "Erased",
    "HandRow",
    "Outcome",
    "Progress",
    "catch_up",
    "erase_in_backup",
    "erase_person",
    "interpret",
    "merge",
    "reassign",
    "rebuild",
    "settle",
]
