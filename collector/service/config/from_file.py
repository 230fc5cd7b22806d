"""The configuration read: from a file, the environment, or the defaults; and what follows from it.

QUIETCUFF_SECTION_KEY in the environment goes before the file (not for named tables).
"""

import os
import re
import select
import time
from collections.abc import Mapping
from dataclasses import fields
from datetime import tzinfo
from errno import EFBIG, ETIMEDOUT
from functools import partial
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints
from zoneinfo import ZoneInfo

from collector.service.config.schema import ConfigError, Reader, from_environment
from collector.service.config.settings import Config, CuffSettings, PersonSettings

SYSTEM_FILE = Path("/etc/quietcuff.toml")
SYSTEM_STORE = Path("/var/lib/quietcuff/quietcuff.db")


def zone_of(config: Config) -> str:
    """IANA name of the zone that the cuffs' wall clocks show."""
    if config.station.zone:
        return config.station.zone
    from tzlocal import get_localzone_name

    return get_localzone_name() or "UTC"


def wall_zone(config: Config) -> tzinfo | None:
    """The zone that dates are shown in; None stands for this machine's, whatever its name."""
    return ZoneInfo(config.station.zone) if config.station.zone else None


def usual_store() -> Path:
    """The service's store where the service is installed, else one in the user's own data folder."""
    if SYSTEM_STORE.parent.exists():
        return SYSTEM_STORE
    home = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(home) / "quietcuff" / "quietcuff.db"


def store_named(given: Path | None, config: Config) -> Path:
    """The store's name, as it was given: else the configuration's, else the usual one."""
    return given or config.store.path or usual_store()


def store_of(given: Path | None, config: Config) -> Path:
    """The store's own file, whatever link the name may be. Raises StoreError."""
    from collector.store.writers import the_file  # brings the store, which `--version` and help do without

    return the_file(store_named(given, config))


def usual_file() -> Path | None:
    """The user's own configuration if there is one, else the system's if there is one."""
    home = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    for path in (Path(home) / "quietcuff.toml", SYSTEM_FILE):
        if os.access(path, os.F_OK):  # False, not an error, for a home that is not ours to look into
            return path
    return None


def load(path: Path | None = None, environment: Mapping[str, str] | None = None) -> Config:
    """Read the configuration from `path`, or from the usual place, or take the defaults.

    Raises ConfigError with one line that names the file, the line and what is allowed.
    """
    refuse_an_impossible_zone()
    environment = os.environ if environment is None else environment
    file = path or usual_file()
    text = ""
    if file is not None:
        try:
            text = _octets(file).decode("utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "not UTF-8 text"
            raise ConfigError(f"{file}: cannot read the configuration: {reason.lower()}") from None
    return parse(text, file, environment)


def refuse_an_impossible_zone() -> None:
    """POSIX lets TZ lie further from UTC than Python's datetimes can: each look at the wall clock would fail. Raises
    ConfigError."""
    if abs(time.localtime().tm_gmtoff) >= 86_400:
        raise ConfigError(
            f"this machine's time zone is a day or more from UTC (TZ is {os.environ.get('TZ', 'not set')!r}); "
            "set it to yours, such as TZ=Europe/Lisbon"
        )


WAIT_S = 5.0
"""For whoever is to write the configuration into a pipe."""
_LONGEST = 1 << 20  # octets


def _octets(file: Path) -> bytes:
    """All of the file. Raises OSError, also where it has no end or nothing comes."""
    descriptor = os.open(file, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    with open(descriptor, "rb") as opened:
        waiting = select.poll()
        waiting.register(descriptor, select.POLLIN)
        if not waiting.poll(WAIT_S * 1000):
            raise OSError(ETIMEDOUT, "nothing comes through this pipe")
        os.set_blocking(descriptor, True)
        found = opened.read(_LONGEST + 1)
    if len(found) > _LONGEST:
        raise OSError(EFBIG, "longer than any configuration")
    return found


def parse(text: str, file: Path | None = None, environment: Mapping[str, str] | None = None) -> Config:
    """Read a configuration from TOML text. Raises ConfigError."""
    tables: dict[str, Any] = {}
    if text:
        import tomllib  # a command without a configuration starts sooner

        try:
            tables = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise ConfigError(f"{file or 'configuration'}: not TOML: {error}") from None
        except ValueError:  # Python's own bound on digits
            raise ConfigError(f"{file or 'configuration'}: not TOML: a number of more than 4,300 digits") from None
        except RecursionError:
            raise ConfigError(f"{file or 'configuration'}: not TOML: nested too deep") from None
    reader = Reader(text, str(file or "configuration"))
    sections = _sections()
    reader.only_known(tables, sections, ())
    values: dict[str, Any] = {"source": file}
    for name, kind in sections.items():
        table = reader.table(tables.get(name, {}), (name,))
        if get_origin(kind) is Mapping:
            inner = get_args(kind)[1]
            own_reading = {"protocols": partial(_protocol, reader), "cuffs": partial(_cuff, reader)}
            read = own_reading.get(name) or partial(reader.section, inner)
            values[name] = {own: read(reader.table(table[own], (name, own)), (name, own)) for own in table}
        else:
            table |= from_environment(name, environment or {})
            values[name] = reader.section(kind, table, (name,))
    _check_people(reader, values["people"], values["protocols"])
    if reader.problems:
        raise ConfigError(*reader.problems)
    return Config(**values)


def _sections() -> dict[str, Any]:
    hints = get_type_hints(Config)
    return {item.name: hints[item.name] for item in fields(Config) if item.name != "source"}


def _cuff(reader: Reader, table: dict[str, Any], path: tuple[str, ...]) -> CuffSettings:
    if not re.fullmatch(r"[0-9A-F]{2}(:[0-9A-F]{2}){5}", path[-1]):
        reader.wrong(
            path,
            f"'{path[-1]}' is no cuff's address, such as \"C0:FF:EE:00:00:01\" in quotes and "
            "capitals; `quietcuff cuff list` shows them",
        )
        return CuffSettings()
    cuff: CuffSettings = reader.section(CuffSettings, table, path)
    if ("user" in table) != ("consent_code" in table):
        reader.wrong(path, "consent takes both, user and consent_code")
    return cuff


def _check_people(reader: Reader, people: Mapping[str, PersonSettings], own: Mapping[str, Any]) -> None:
    """Two people in one record would be one patient to whoever receives it; letter case makes no other person."""
    if not people:
        return
    from collector.store.namesakes import folded  # not for a light command: it brings the store's opening

    whose: dict[str, str] = {}
    names: dict[str, str] = {}
    for name, person in people.items():
        if (first := names.setdefault(folded(name), name)) != name:
            reader.wrong(
                ("people", name), f"[people.{name}] is [people.{first}] again; letter case makes no difference"
            )
        if person.protocol:
            from collector.numbers.protocols import UnknownProtocol, protocol

            try:
                protocol(person.protocol, own)
            except UnknownProtocol as unknown:
                reader.wrong(("people", name, "protocol"), f"people.{name}.protocol: {unknown}")
        if person.record and (other := whose.setdefault(person.record, name)) != name:
            reader.wrong(("people", name, "record"), f"people.{name}.record is [people.{other}]'s too")


def _protocol(reader: Reader, table: dict[str, Any], path: tuple[str, ...]) -> Any:
    """A clinic's own protocol; what checks it is imported only where there is one."""
    from collector.numbers.custom import ProtocolError, custom

    try:
        return custom({**table, "name": path[-1]})
    except ProtocolError as error:
        about = next((key for key in table if f"'{key}'" in str(error) or f": {key} is " in str(error)), None)
        reader.wrong(path if about is None else (*path, about), str(error))
        return None
