"""Ways to a person: the log, and a program of their own. (MQTT is in `mqtt`.)

A channel is given each notice once when it begins and its key once when it is over. It raises ChannelError when it
could not pass it on, and is given it again in the next round.
"""

import json
import logging
import os
import signal
import subprocess
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from typing import Any, Protocol

from collector.service.notices.notice import CAUTION, Notice

log = logging.getLogger("quietcuff.notices")


class ChannelError(Exception):
    """A notice did not get through; the text is one line for a person."""


class NoticeChannel(Protocol):
    name: str

    def begins(self, notice: Notice, at: datetime) -> None: ...

    def over(self, key: str, at: datetime) -> None: ...


class LogChannel:
    """One line in the service's log. Nothing personal, whatever the configuration says."""

    name = "log"

    def begins(self, notice: Notice, at: datetime) -> None:
        log.warning("notice: %s; %s", notice.text, notice.remedy)

    def over(self, key: str, at: datetime) -> None:
        log.info("notice over: %s", key)


def message(notice: Notice, at: datetime, personal: bool) -> dict[str, Any]:
    """What leaves through a program or MQTT, as one JSON object."""
    detail: Mapping[str, Any] = notice.detail if personal else {}
    return {
        "event": "begins",
        "topic": notice.topic,
        "subject": notice.subject,
        "at": at.isoformat(),
        "text": notice.words(personal),
        "remedy": notice.remedy,
        **({"detail": detail} if detail else {}),
        "caution": CAUTION,
    }


NOTICE_SCHEMA = {
    "description": "A notice, to a program's standard input and retained over MQTT",
    "type": "object",
    "properties": {
        "event": {"enum": ["begins", "over"], "description": "over: to a program only; over MQTT it is cleared"},
        "topic": {"type": "string"},
        "subject": {"type": "string"},
        "at": {"type": "string", "format": "date-time"},
        "text": {"type": "string"},
        "remedy": {"type": "string"},
        "detail": {"type": "object", "description": "names and values, only with 'personal'"},
        "caution": {"type": "string"},
    },
    "required": ["event", "topic", "subject", "at"],
    "if": {"properties": {"event": {"const": "begins"}}},
    "then": {"required": ["text", "remedy", "caution"]},
}
"""JSON Schema of what `message` makes, and of the word that a notice is over."""


class CommandChannel:
    """Runs a program of the user's, without a shell: the notice as JSON on its standard input; exit code 0 is 'told'.

    argv: program and arguments as configured; nothing of a notice is ever put there.
    """

    name = "command"

    def __init__(self, argv: Sequence[str], timeout_s: float, personal: bool) -> None:
        self.argv, self.timeout_s, self.personal = list(argv), timeout_s, personal

    def begins(self, notice: Notice, at: datetime) -> None:
        self._run(message(notice, at, self.personal))

    def over(self, key: str, at: datetime) -> None:
        topic, _, subject = key.partition("/")
        self._run({"event": "over", "topic": topic, "subject": subject, "at": at.isoformat()})

    def _run(self, content: Mapping[str, Any]) -> None:
        program = self.argv[0]
        try:
            process = subprocess.Popen(
                self.argv,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                start_new_session=True,
            )
        except OSError as error:
            raise ChannelError(
                f"{program} cannot be run ({(error.strerror or str(error)).lower()}); mend command under [notices]"
            ) from None
        try:
            _, words = process.communicate((json.dumps(content, ensure_ascii=False) + "\n").encode(), self.timeout_s)
        except subprocess.TimeoutExpired:
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)  # and whatever it started
            process.communicate()
            raise ChannelError(f"{program} did not end within {self.timeout_s:g} s and was stopped") from None
        if process.returncode:
            last = words.decode(errors="replace").strip().splitlines()[-1:]
            raise ChannelError(
                f"{program} ended with code {process.returncode}" + (f": {last[0][:200]}" if last else "")
            )
