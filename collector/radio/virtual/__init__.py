"""Cuffs without hardware: for the demo, for trying things out, and for most tests."""

from collector.radio.virtual.behaviour import Behaviour, Drop
from collector.radio.virtual.cuff import VirtualCuff
from collector.radio.virtual.radio import VirtualRadio

__all__ = ["Behaviour", "Drop", "VirtualCuff", "VirtualRadio"]
