"""The configuration: one TOML file, every key with a default, every mistake told with its line."""

from collector.service.config.schema import ConfigError
from collector.service.config.settings import (
    SYSTEM_FILE,
    SYSTEM_STORE,
    Backup,
    Config,
    Cuff,
    Mqtt,
    Notices,
    Person,
    Radio,
    Relay,
    Retention,
    Station,
    Store,
    load,
    parse,
    usual_file,
    usual_store,
)

__all__ = [
    "SYSTEM_FILE",
    "SYSTEM_STORE",
    "Backup",
    "Config",
    "ConfigError",
    "Cuff",
    "Mqtt",
    "Notices",
    "Person",
    "Radio",
    "Relay",
    "Retention",
    "Station",
    "Store",
    "load",
    "parse",
    "usual_file",
    "usual_store",
]
