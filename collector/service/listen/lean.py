"""asyncio and hashlib as the service needs them: without OpenSSL, whose 4.5 MB would stay resident for months.

The service's own connections are D-Bus and Bluetooth. What speaks TLS (MQTT, the relay) imports `ssl` when it does, and
gets it; only asyncio's own TLS is not there. hashlib has all its guaranteed algorithms of its own.
"""

import importlib
import sys
from types import ModuleType
from typing import cast


def without_openssl() -> None:
    """Import both without it. Idle where they are imported already."""
    hidden = [name for name in ("ssl", "_hashlib") if name not in sys.modules]
    for name in hidden:
        sys.modules[name] = cast(ModuleType, None)  # an import of it fails, and both modules are made for that
    try:
        for name in ("asyncio", "hashlib"):
            importlib.import_module(name)
    finally:
        for name in hidden:
            del sys.modules[name]
