"""What is kept out of the log: a write that dbus-fast forgot on a connection that was closed. Nothing else."""

import logging

import pytest

from collector.radio.bluez.bleak_internals import quiet


@pytest.mark.parametrize(
    ("error", "text", "kept"),
    [
        (OSError(9, "Bad file descriptor"), "Future exception was never retrieved", False),
        (OSError(5, "Input/output error"), "Future exception was never retrieved", True),
        (OSError(9, "Bad file descriptor"), "Exception in callback", True),
        (None, "Future exception was never retrieved", True),
    ],
)
def test_only_the_forgotten_write_is_kept_out(
    caplog: pytest.LogCaptureFixture, error: OSError | None, text: str, kept: bool
) -> None:
    quiet()
    logging.getLogger("asyncio").error(text, exc_info=error)
    assert bool(caplog.messages) is kept
