"""`quietcuff cuff add ADDRESS` at a terminal asks for the digits that the cuff shows, until it has six of them."""

import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from collector.store.journal import pairing
from collector.store.opening import open_store

CUFF = "C0:FF:EE:00:00:01"


def said(near: int, until: str) -> str:
    """What the command has said, from now to these words."""
    text, end = "", time.monotonic() + 30
    while until not in text and time.monotonic() < end:
        try:
            text += os.read(near, 4096).decode()
        except OSError as error:  # the command has ended
            raise AssertionError(text) from error
    return text


def test_the_digits_are_asked_for_until_they_can_be_meant(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    near, far = os.openpty()
    with open_store(path) as store:
        command = [sys.executable, "-m", "collector.cli.main", "--store", str(path), "cuff", "add", CUFF]
        process = subprocess.Popen(command, stdin=far, stdout=far, stderr=far)
        os.close(far)
        try:
            said(near, "measure once")
            pairing.ask(store, CUFF, None, datetime.now(UTC) + timedelta(seconds=1))
            said(near, "six digits")
            for wrong in ("kitchen", "1234567"):
                os.write(near, f"{wrong}\n".encode())
                assert "six digits" in said(near, "six digits on the cuff's display")
                assert pairing.answer(store, CUFF) is None
            os.write(near, b"012345\n")
            end = time.monotonic() + 10
            while (given := pairing.answer(store, CUFF)) is None and time.monotonic() < end:
                time.sleep(0.1)
            assert given == 12345
        finally:
            process.kill()
            process.wait()
            os.close(near)
