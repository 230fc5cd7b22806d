"""The whole configuration as a TOML file to begin with: every key, its meaning, what is allowed, its default."""

from collections.abc import Iterator, Mapping
from dataclasses import fields
from enum import StrEnum
from typing import Any, get_args, get_origin, get_type_hints

from collector.numbers.custom import KEYS
from collector.service.config import Config


def template() -> Iterator[str]:
    """Lines of TOML in which every key is a comment, so that the file as it is changes nothing."""
    hints = get_type_hints(Config)
    for item in fields(Config):
        if item.name == "source":
            continue
        kind = hints[item.name]
        named = get_origin(kind) is Mapping
        if item.name != fields(Config)[0].name:
            yield ""
        own = '"ADDRESS"' if item.name == "cuffs" else "NAME"
        yield f"# [{item.name}.{own}]" if named else f"[{item.name}]"
        if item.name == "protocols":
            yield from _own_protocol()
        else:
            yield from _keys(get_args(kind)[1] if named else kind)


def _own_protocol() -> Iterator[str]:
    yield "# A protocol of your own, mostly after a published one (`quietcuff protocols` shows those). Keys:"
    names = [name for name in KEYS if name != "name"]
    for start in range(0, len(names), 8):
        yield f"# {', '.join(names[start : start + 8])}"
    yield '# based_on = "nice-ng136"'
    yield "# threshold = [130, 80]"


def _keys(section: Any) -> Iterator[str]:
    for key in fields(section):
        allowed = f" One of: {', '.join(type(key.default))}." if isinstance(key.default, StrEnum) else ""
        yield f"# {key.metadata['help']}{allowed}"
        yield f"# {key.name} = {_toml(key.default)}"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if value is None:
        return "(not set)"
    return str(value) if isinstance(value, int | float) else f'"{value}"'
