"""What a person is called: the name, and where several stations gave it to several people, a handle behind it."""

_OCTETS = 4  # of the person's uid: `mira#1f0a22b7`
HANDLE = 2 * _OCTETS
"""Length of the handle, the sign '#' apart."""

CALLED = f"""CASE WHEN EXISTS (SELECT 1 FROM person AS other WHERE other.name = person.name COLLATE NOCASE AND
        other.id <> person.id AND NOT other.gone) THEN person.name || '#' || lower(hex(substr(person.uid,
        1, {_OCTETS}))) ELSE person.name END"""
"""SQL for what a joined `person` is called, unambiguous; NULL for nobody."""
