"""One line an event, on stderr: with the time at a terminal, with journald's level marks under systemd."""

import logging
import os
import sys

LEVELS = {"debug": logging.DEBUG, "info": logging.INFO, "warning": logging.WARNING, "error": logging.ERROR}
_SYSLOG = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}


class OneLine(logging.Formatter):
    """Never more than one line, whatever a message holds: a log that is read by machines stays readable."""

    def __init__(self, journal: bool) -> None:
        super().__init__("%(message)s" if journal else "%(asctime)s %(message)s", "%Y-%m-%dT%H:%M:%S%z")
        self.journal = journal

    def format(self, record: logging.LogRecord) -> str:
        text = " / ".join(super().format(record).splitlines())
        text = "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in text)
        return f"<{_SYSLOG.get(record.levelno, 6)}>{text}" if self.journal else text


def set_up(level: str = "info") -> None:
    """Send quietcuff's own events to stderr; libraries only from warnings on."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(OneLine(journal="JOURNAL_STREAM" in os.environ))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger("quietcuff").setLevel(LEVELS[level])
