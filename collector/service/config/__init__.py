"""The configuration: one TOML file, every key with a default, every mistake told with its line."""

from collector.service.config.from_file import (
    SYSTEM_STORE,
    load,
    parse,
    refuse_an_impossible_zone,
    store_named,
    store_of,
    usual_file,
    usual_store,
    wall_zone,
    zone_of,
)
from collector.service.config.schema import ConfigError
from collector.service.config.settings import Config

__all__ = [
    "SYSTEM_STORE",
    "Config",
    "ConfigError",
    "load",
    "parse",
    "refuse_an_impossible_zone",
    "store_named",
    "store_of",
    "usual_file",
    "usual_store",
    "wall_zone",
    "zone_of",
]
