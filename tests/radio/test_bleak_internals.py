"""Each inside of bleak that `bleak_internals` uses, by name, so that a new minor of bleak cannot move one unnoticed."""

import ast
import asyncio
import inspect
import tomllib
from pathlib import Path

from bleak import BleakClient
from bleak.backends.bluezdbus import manager
from bleak.backends.bluezdbus.client import BleakClientBlueZDBus

from collector.radio.bluez import bleak_internals

ROOT = Path(__file__).parents[2]
NAMED = {"_global_instances", "_bus", "_backend", "_on_disconnected", "_release_bus"}


def test_the_insides_used_are_the_insides_named_here() -> None:
    tree = ast.parse(inspect.getsource(bleak_internals))
    used = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute) and node.attr.startswith("_")}
    texts = {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)}
    assert used | {text for text in texts if text.startswith("_") and text.isidentifier()} == NAMED


def test_nothing_else_of_ours_reaches_into_bleak() -> None:
    for path in sorted((ROOT / "collector/radio").rglob("*.py")):
        if path.name != "bleak_internals.py":
            text = path.read_text("utf-8")
            assert not [name for name in NAMED if f"client.{name}" in text or f"manager.{name}" in text], path


async def test_the_manager_of_a_loop_keeps_its_bus_under_this_name() -> None:
    assert manager._global_instances.get(asyncio.get_running_loop()) is None
    assert manager.BlueZManager()._bus is None


def test_a_client_keeps_its_backend_and_these_methods() -> None:
    client = BleakClient("C0:FF:EE:00:00:01", backend=BleakClientBlueZDBus)
    backend = client._backend
    assert isinstance(backend, BleakClientBlueZDBus)
    assert backend.is_connected is False
    assert list(inspect.signature(backend._on_disconnected).parameters) == []
    assert inspect.iscoroutinefunction(backend._release_bus)
    assert list(inspect.signature(backend._release_bus).parameters) == []


def test_bleak_is_held_to_the_minor_that_has_them() -> None:
    wanted = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["dependencies"]
    (bleak,) = (line for line in wanted if line.startswith("bleak"))
    assert bleak == "bleak>=3.1,<3.2"
