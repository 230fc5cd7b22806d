"""The one error the store raises: what is wrong with which file, and what to do, in one line."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class StoreError(Exception):
    """Something is wrong with the store; the text is one line for a person.

    kind: 'damaged', 'read-only', 'full', 'locked', 'foreign', 'foreign log', 'newer', 'missing', 'moved', 'refused',
    'clock' (in doubt), 'unreadable' or 'other'.
    """

    def __init__(self, text: str, kind: str = "other") -> None:
        super().__init__(text)
        self.kind = kind


class RefusedByStore(StoreError):
    """What was asked for cannot be, or may not; nothing is wrong with the store."""

    def __init__(self, text: str) -> None:
        super().__init__(text, "refused")


class UnreadableError(StoreError, ValueError):
    """A value stands in the store that is none: octets that are no text, JSON that is none, an instant of no year."""

    def __init__(self, what: str) -> None:
        super().__init__(f"{what}; `quietcuff check` names its table and row, and what mends it", "unreadable")


ODD = (TypeError, ValueError, ArithmeticError, LookupError, AttributeError)
"""What Python answers to a value that is none: no zone, no number, of another kind, a time beyond the calendar."""

# Primary result codes: SQLite documentation, "Result and Error Codes".
_WORDS: dict[int, tuple[str, str]] = {
    sqlite3.SQLITE_BUSY: ("locked", "another program holds the store; close it or try again"),
    sqlite3.SQLITE_LOCKED: ("locked", "another program holds the store; close it or try again"),
    sqlite3.SQLITE_READONLY: ("read-only", "the store cannot be written; check its owner, rights and file system"),
    sqlite3.SQLITE_PERM: ("read-only", "no right to the store; check its owner and rights"),
    sqlite3.SQLITE_AUTH: ("read-only", "no right to the store; check its owner and rights"),
    sqlite3.SQLITE_CANTOPEN: ("read-only", "the store cannot be opened; check the path, its owner and rights"),
    sqlite3.SQLITE_FULL: ("full", "the disk is full; free some space, nothing stored so far is lost"),
    sqlite3.SQLITE_CORRUPT: ("damaged", "the store is damaged; keep this file and go back to the last good backup"),
    sqlite3.SQLITE_NOTADB: ("foreign", "this file is not a quietcuff store"),
    sqlite3.SQLITE_IOERR: ("other", "the disk does not read or write as it should; check it and its free space"),
}


SQLITE_ERRORS = (sqlite3.Error, UnicodeDecodeError)
"""The second where octets of a damaged file stand in the words of the first."""


def store_error(error: Exception, path: Path) -> StoreError:
    """The same error as a StoreError."""
    if isinstance(error, UnicodeDecodeError):
        kind, words = _WORDS[sqlite3.SQLITE_CORRUPT]
        return StoreError(f"{path}: {words}", kind)
    if "decode to UTF-8" in str(error):
        return UnreadableError(f"{path}: a text in it is no UTF-8 ({' '.join(str(error).split())[:120]!r})")
    code = getattr(error, "sqlite_errorcode", None)
    kind, words = _WORDS.get(code & 0xFF, ("other", str(error))) if code else ("other", str(error))
    return StoreError(f"{path}: {words} ({error})", kind)


@contextmanager
def as_store_error(path: Path, errors: tuple[type[Exception], ...] = SQLITE_ERRORS) -> Iterator[None]:
    """Turns every sqlite3 error inside the block into a StoreError."""
    try:
        yield
    except errors as error:
        raise store_error(error, path) from error
