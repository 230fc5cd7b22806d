"""What a person is called: the name, and where several stations gave it to several people, a handle behind it."""

import re
from unicodedata import normalize

_OCTETS = 4  # of the person's uid: `mira#1f0a22b7`
MOST_LETTERS = 200  # of a name
HANDLE = 2 * _OCTETS
"""Length of the handle, the sign '#' apart."""

CALLED = f"""CASE WHEN EXISTS (SELECT 1 FROM person AS other WHERE other.name = person.name COLLATE NOCASE AND
        other.id <> person.id AND NOT other.gone) THEN person.name || '#' || lower(hex(substr(person.uid,
        1, {_OCTETS}))) ELSE person.name END"""
"""SQL for what a joined `person` is called, unambiguous; NULL for nobody."""


_HANDLED = re.compile(f"(.+)#([0-9a-f]{{{HANDLE}}})", re.IGNORECASE)


def as_a_name(called: str) -> str:
    """Of somebody who is called by a handle at another station, a name that is nobody's handle here."""
    handled = _HANDLED.fullmatch(called)
    return f"{handled[1]} {handled[2]}" if handled else called


def folded(name: str) -> str:
    """Equal for names that people take for the same: letter case does not matter, nor whether an accent is part of its
    letter or stands behind it, as macOS writes it (Unicode Standard Annex 15)."""
    return normalize("NFC", normalize("NFC", name.strip()).casefold())


def is_name(name: str) -> bool:
    """A person's name is shown on one line, and asked for by it."""
    return bool(name.strip()) and name.isprintable() and len(name) <= MOST_LETTERS
