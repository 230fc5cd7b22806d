"""How a job in the guest tells the test outside what it saw: one JSON line a step, between plain lines of progress."""

import json
import time
from typing import Any

_began = time.monotonic()


def say(text: str) -> None:
    print(f"[{time.monotonic() - _began:6.1f}] {text}", flush=True)


def step(name: str, **found: Any) -> None:
    print("STEP " + json.dumps({"step": name, **found}), flush=True)
