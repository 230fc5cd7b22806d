"""Cuffs without hardware: for the demo, for trying things out, and for most tests."""

from collector.radio.virtual.behaviour import Drop, Manner
from collector.radio.virtual.cuff import VirtualCuff
from collector.radio.virtual.radio import VirtualRadio

__all__ = ["Drop", "Manner", "VirtualCuff", "VirtualRadio"]
