"""How a configuration is declared and read: typed fields, TOML tables, and mistakes told with their line."""

import math
import re
import shlex
from collections.abc import Callable, Iterator, Mapping
from dataclasses import Field, dataclass, field, fields
from datetime import date, time
from difflib import get_close_matches
from enum import StrEnum
from pathlib import Path
from typing import Any, cast, get_args, get_origin, get_type_hints


class ConfigError(Exception):
    """The configuration cannot be used. problems: one line for each mistake: where, what, and what is allowed."""

    def __init__(self, *problems: str) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


def key(
    default: Any,
    help: str,
    *,
    at_least: float | None = None,
    at_most: float | None = None,
    check: Callable[[Any], str | None] | None = None,
) -> Any:
    """One key. check returns what is wrong, or None."""
    return field(default=default, metadata={"help": help, "at_least": at_least, "at_most": at_most, "check": check})


@dataclass(frozen=True, slots=True)
class _FromEnvironment:
    variable: str
    text: str


def from_environment(section: str, environment: Mapping[str, str]) -> dict[str, Any]:
    """What the environment says of one section: QUIETCUFF_SECTION_KEY."""
    prefix = f"QUIETCUFF_{section.upper()}_"
    return {
        name[len(prefix) :].lower(): _FromEnvironment(name, text)
        for name, text in environment.items()
        if name.startswith(prefix)
    }


@dataclass(frozen=True, slots=True)
class Reader:
    """Turns tables into sections. text, name: where they came from, for the lines in messages.

    problems: every mistake found so far; what stands there is read as if it were not.
    """

    text: str
    name: str
    problems: list[str] = field(default_factory=list)

    def table(self, value: Any, path: tuple[str, ...]) -> dict[str, Any]:
        if not isinstance(value, dict):
            self.wrong(path, f"[{'.'.join(path)}] is a section of its own, not one value")
            return {}
        return dict(value)

    def only_known(self, table: Mapping[str, Any], known: Mapping[str, Any], path: tuple[str, ...]) -> None:
        for name, value in table.items():
            if name not in known:
                close = get_close_matches(name, known, 1)
                hint = f"did you mean '{close[0]}'?" if close else f"allowed: {', '.join(known)}"
                what = f"[{path[0]}] has no key" if path else "there is no section"
                self.wrong((*path, name), f"{what} '{name[:60]}'; {hint}", value)

    def section(self, kind: Any, table: dict[str, Any], path: tuple[str, ...]) -> Any:
        known = {item.name: item for item in fields(kind)}
        self.only_known(table, known, path)
        hints = get_type_hints(kind)
        read = {
            name: self.value(known[name], hints[name], value, (*path, name))
            for name, value in table.items()
            if name in known
        }
        return kind(**{name: value for name, value in read.items() if value is not None})

    def value(self, item: Field[Any], hint: Any, value: Any, path: tuple[str, ...]) -> Any:
        """The value as the field wants it; None, with a problem noted, where it is none."""
        kinds = tuple(kind for kind in get_args(hint) or (hint,) if kind is not type(None))
        kind = tuple if get_origin(hint) is tuple else kinds[0]
        given = value.text if isinstance(value, _FromEnvironment) else value
        converted = _convert(given, kind, isinstance(value, _FromEnvironment))
        rules = item.metadata
        problem = None
        if converted is None and _unprintable(given):
            problem = "holds a character that no text has (NUL)"
        elif converted is None and issubclass(kind, StrEnum):
            problem = f"is {_shown(given)}; allowed: {', '.join(map(str, cast(type[StrEnum], kind)))}"
        elif converted is None:
            problem = f"is {_shown(given)}; expected is {_WANTED[kind]}"
        elif rules["at_least"] is not None and converted < rules["at_least"]:
            problem = f"is {_shown(given)}; the least is {rules['at_least']}"
        elif rules["at_most"] is not None and converted > rules["at_most"]:
            problem = f"is {_shown(given)}; the most is {rules['at_most']}"
        elif rules["check"] and (wrong := rules["check"](converted)):
            problem = f"is {_shown(given)}: {wrong}"
        if problem:
            self.wrong(path, f"{'.'.join(path)} {problem}", value)
            return None
        return converted

    def wrong(self, path: tuple[str, ...], what: str, value: Any = None) -> None:
        """Note a mistake at this place."""
        if isinstance(value, _FromEnvironment):
            self.problems.append(f"environment variable {value.variable}: {what}")
            return
        line = _line(self.text, path)
        self.problems.append(f"{self.name}{f', line {line}' if line else ''}: {what}")


_WANTED: dict[Any, str] = {
    str: "text in quotes",
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    Path: "a path in quotes",
    tuple: 'a list of texts, such as ["program", "argument"]',
}


def _shown(value: Any) -> str:
    if isinstance(value, date | time):
        return value.isoformat()
    shown = str(value).lower() if isinstance(value, bool) else repr(value)
    return shown if len(shown) <= 80 else shown[:79] + "…"


_READ: dict[Any, Callable[[str], Any]] = {
    int: int,
    float: float,
    tuple: shlex.split,
    bool: lambda text: {"true": True, "false": False}.get(text.lower()),
}
"""From an environment variable's text. May raise ValueError."""


def _convert(value: Any, kind: Any, from_text: bool) -> Any:
    """The value as `kind`, or None if it is not one."""
    if from_text:
        try:
            value = _READ[kind](value) if kind in _READ else value
        except ValueError:
            return None
    value = _as_text(value)
    if _unprintable(value):
        return None
    if issubclass(kind, StrEnum):
        return kind(value) if value in list(kind) else None
    if kind is tuple:
        return tuple(value) if isinstance(value, list) and all(type(word) is str for word in value) else None
    if kind is Path:
        return Path(value).expanduser() if isinstance(value, str) and value else None
    if kind is float and type(value) in (int, float):
        return float(value) if math.isfinite(value) else None  # TOML has nan and inf
    return value if type(value) is kind else None


def _as_text(value: Any) -> Any:
    """TOML has dates and times of its own; here they are read as the text that says the same."""
    if isinstance(value, list):
        return [_as_text(one) for one in value]
    if isinstance(value, time) and not (value.second or value.microsecond):
        return f"{value:%H:%M}"
    return value.isoformat() if isinstance(value, date | time) else value


def _unprintable(value: Any) -> bool:
    """Whether a text holds what no path and no name can: a NUL would end it on its way to the system."""
    return any("\0" in one for one in (value if isinstance(value, list) else [value]) if isinstance(one, str))


def _line(text: str, path: tuple[str, ...]) -> int | None:
    """The line where a key or its table stands: tomllib does not tell, so look for it."""
    best: int | None = None
    for number, names in _lines(text):
        if names == path:
            return number
        if best is None and names and names == path[: len(names)]:
            best = number
    return best


def _lines(text: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    header: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), 1):
        stripped = line.strip()
        if match := re.match(r"\[+\s*(.+?)\s*\]+", stripped):
            header = _names(match[1])
            yield number, header
        elif match := re.match(r"""((?:[\w.\s-]|"[^"]*"|'[^']*')+?)\s*=""", stripped):
            yield number, (*header, *_names(match[1]))


def _names(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in re.findall(r"""(?:"[^"]*"|'[^']*'|[^.])+""", dotted))
