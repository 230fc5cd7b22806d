"""The first configuration: what a household or a station says of itself, put where the service reads it.

Values in, files out; who asks (the command line) and what systemd does about it come in as functions.
"""

import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from collector.service.config import from_file, parse
from collector.service.config.settings import RadioKind
from collector.service.config.template import template

UNITS = Path("/etc/systemd/system")
NETWORK, ALONE = "0.0.0.0", "127.0.0.1"

RunCommand = Callable[[Sequence[str]], int]


@dataclass(frozen=True, slots=True)
class Answers:
    """None leaves a setting as it is. page_name: how other devices reach this machine; empty: none may."""

    zone: str | None = None
    emergency_number: str | None = None
    radio: RadioKind | None = None
    page_name: str | None = None

    def settings(self) -> Iterator[tuple[str, str, str]]:
        """(section, key, value) of what was answered."""
        if self.zone is not None:
            yield "station", "zone", self.zone
        if self.emergency_number is not None:
            yield "station", "emergency_number", self.emergency_number
        if self.radio is not None:
            yield "radio", "kind", self.radio
        if self.page_name is not None:
            yield "page", "address", NETWORK if self.page_name else ALONE
            yield "page", "name", self.page_name


def usual_target() -> Path:
    """Where the configuration belongs: the system's file for root, else the user's own."""
    if os.geteuid() == 0:
        return from_file.SYSTEM_FILE  # read when asked for: tests put theirs in its place
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "quietcuff.toml"


def configured(text: str, answers: Answers) -> str:
    """The configuration with the answers in it; every other line stays. Raises ConfigError."""
    lines = text.splitlines() or list(template())
    for section, name, value in answers.settings():
        _put(lines, section, name, f'{name} = "{value}"')
    written = "\n".join(lines) + "\n"
    parse(written)
    return written


def _put(lines: list[str], section: str, name: str, line: str) -> None:
    """In place of the key, or of its commented default, else below the section's head, else in a section at the end."""
    heads = [number for number, one in enumerate(lines) if re.match(rf"\s*\[{section}\]", one)]
    if not heads:
        lines += ["", f"[{section}]", line]
        return
    end = next((n for n in range(heads[0] + 1, len(lines)) if re.match(r"\s*(# )?\[", lines[n])), len(lines))
    found = [n for n in range(heads[0] + 1, end) if re.match(rf"\s*(# )?{name}\s*=", lines[n])]
    if found:
        lines[next((n for n in found if not lines[n].lstrip().startswith("#")), found[0])] = line
    else:
        lines.insert(heads[0] + 1, line)


def write(file: Path, text: str) -> None:
    """Whole or not at all. Readable by the service's user: it holds no secret, only names of files that do."""
    file.parent.mkdir(parents=True, exist_ok=True)
    fresh = file.with_name(f".{file.name}.new")
    mode = file.stat().st_mode & 0o777 if file.exists() else 0o644
    fresh.write_text(text, "utf-8")
    fresh.chmod(mode)
    os.replace(fresh, file)


def drop_ins(answers: Answers) -> Iterator[tuple[str, Path, bool]]:
    """(file of ours, where systemd looks for it, whether it is wanted) of what was answered."""
    if answers.radio is not None:
        yield "exclusive.conf", UNITS / "quietcuff.service.d/exclusive.conf", answers.radio is RadioKind.EXCLUSIVE
    if answers.page_name is not None:
        yield "page-network.conf", UNITS / "quietcuff-page.socket.d/network.conf", bool(answers.page_name)


def unit_files() -> Path:
    """The folder with our units: in the environment's share, or in the project's folder."""
    installed = Path(sys.prefix) / "share/quietcuff/systemd"
    return installed if installed.is_dir() else Path(__file__).parents[2] / "systemd"


def settle_units(answers: Answers, run: RunCommand) -> bool:
    """Put drop-ins in place or away, and have systemd start the service with them. False: systemd refused."""
    for name, place, wanted in drop_ins(answers):
        if wanted:
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text((unit_files() / name).read_text("utf-8"), "utf-8")
        else:
            place.unlink(missing_ok=True)
    lines = [
        ["systemctl", "daemon-reload"],
        ["systemctl", "enable", "quietcuff"],
        ["systemctl", "restart", "quietcuff"],
    ]
    if answers.page_name is not None:
        lines += [["systemctl", "restart", "quietcuff-page.socket"], ["systemctl", "try-restart", "quietcuff-page"]]
    return not [line for line in lines if run(line) != 0]
