"""The configuration: one TOML file, every key with a default, every mistake told with its line.

The dataclasses below are the whole schema. A new key is a field made with `key`; a new section is a dataclass
and a field of `Config`. A field of type `Mapping[str, Section]` reads tables with names of the user's own,
such as `[people.anna]`. QUIETCUFF_SECTION_KEY in the environment goes before the file (not for named tables).
"""

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

from collector.service.schema import ConfigError, Reader, from_environment, key

SYSTEM_FILE = Path("/etc/quietcuff.toml")
SYSTEM_STORE = Path("/var/lib/quietcuff/quietcuff.db")


def _zone(name: str) -> str | None:
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return "not a time zone of the IANA database, such as 'Europe/Lisbon'"
    return None


def _address(address: str) -> str | None:
    if re.fullmatch(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}|hci\d+", address):
        return None
    return "an adapter is named like 'hci0'"


@dataclass(frozen=True, slots=True)
class Station:
    name: str = key("", "What this station is called where several are merged.")
    zone: str | None = key(None, "Time zone of the cuffs' wall clock; else this machine's.", check=_zone)
    emergency_number: str = key("", "The local emergency number, shown with very high readings.")


@dataclass(frozen=True, slots=True)
class Radio:
    kind: str = key("bluez", "The system's Bluetooth, an adapter of our own, or invented cuffs.",
                    one_of=("bluez", "exclusive", "virtual"))
    adapter: str | None = key(None, "Which adapter, such as hci0; all if not given.", check=_address)
    accept: str = key("any", "Visit any cuff in reach, or known ones only.", one_of=("any", "known"))
    set_clock: str = key("never", "Whether a visit may set the cuff's clock.",
                         one_of=("never", "when wrong", "always"))
    clock_wrong_after_s: float = key(60.0, "Seconds from which a cuff's clock counts as wrong.", at_least=1)
    witness: str = key("auto", "Whether to read indications from the kernel's monitor channel.",
                       one_of=("auto", "on", "off"))


@dataclass(frozen=True, slots=True)
class Store:
    path: Path | None = key(None, "The store's file.")  # noqa: RUF009


@dataclass(frozen=True, slots=True)
class Person:
    """A person's own plan, set by the treating clinician; goes before any protocol's figures."""

    protocol: str | None = key(None, "The protocol that averages follow.")
    threshold_systolic: int | None = key(None, "mmHg; from here on raised.", at_least=60, at_most=260)
    threshold_diastolic: int | None = key(None, "mmHg; from here on raised.", at_least=30, at_most=160)
    goal_systolic: int | None = key(None, "mmHg; below is the goal.", at_least=60, at_most=260)
    goal_diastolic: int | None = key(None, "mmHg; below is the goal.", at_least=30, at_most=160)


@dataclass(frozen=True, slots=True)
class Config:
    station: Station = field(default_factory=Station)
    radio: Radio = field(default_factory=Radio)
    store: Store = field(default_factory=Store)
    people: Mapping[str, Person] = field(default_factory=dict)
    source: Path | None = None  # the file it was read from


def usual_store() -> Path:
    """The service's store where the service is installed, else one in the user's own data folder."""
    if SYSTEM_STORE.parent.exists():
        return SYSTEM_STORE
    home = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(home) / "quietcuff" / "quietcuff.db"


def usual_file() -> Path | None:
    """The user's own configuration if there is one, else the system's if there is one."""
    home = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    for path in (Path(home) / "quietcuff.toml", SYSTEM_FILE):
        if path.exists():
            return path
    return None


def load(path: Path | None = None, environment: Mapping[str, str] | None = None) -> Config:
    """Read the configuration from `path`, or from the usual place, or take the defaults.

    Raises ConfigError with one line that names the file, the line and what is allowed.
    """
    environment = os.environ if environment is None else environment
    file = path or usual_file()
    text = ""
    if file is not None:
        try:
            text = file.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "not UTF-8 text"
            raise ConfigError(f"{file}: cannot read the configuration: {reason.lower()}") from None
    return parse(text, file, environment)


def parse(text: str, file: Path | None = None, environment: Mapping[str, str] | None = None) -> Config:
    """Read a configuration from TOML text. Raises ConfigError."""
    tables: dict[str, Any] = {}
    if text:  # the parser is imported only where there is something to parse
        import tomllib

        try:
            tables = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise ConfigError(f"{file or 'configuration'}: not TOML: {error}") from None
    reader = Reader(text, str(file or "configuration"))
    sections = _sections()
    reader.only_known(tables, sections, ())
    values: dict[str, Any] = {"source": file}
    for name, kind in sections.items():
        table = reader.table(tables.get(name, {}), (name,))
        if get_origin(kind) is Mapping:
            inner = get_args(kind)[1]
            values[name] = {own: reader.section(inner, reader.table(table[own], (name, own)), (name, own))
                            for own in table}
        else:
            table |= from_environment(name, environment or {})
            values[name] = reader.section(kind, table, (name,))
    return Config(**values)


def _sections() -> dict[str, Any]:
    hints = get_type_hints(Config)
    return {item.name: hints[item.name] for item in fields(Config) if item.name != "source"}
