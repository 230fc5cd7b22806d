"""The entries of a Bundle, one at a time, however large the file and however it is laid out."""

from collections.abc import Iterator
from typing import Any, TextIO

from collector.share.export.context import ExchangeError
from collector.share.export.read_json import DECODER, NameTwiceError

_CHUNK = 1 << 18


def entries(file: TextIO) -> Iterator[tuple[str, Any]]:
    """(fullUrl or '', resource) of each entry. Raises ExchangeError."""
    source = _Source(file)
    source.take("{")
    is_bundle, names, number = False, set[str](), 0
    while source.peek() != "}":
        name = str(source.value())
        if name in names:
            raise ExchangeError(f"{name!r:.60} stands twice in the Bundle")
        names.add(name)
        source.take(":")
        if name == "entry":
            source.take("[")
            while source.peek() != "]":
                number += 1
                entry = source.value(f"entry {number}")
                if not isinstance(entry, dict) or not isinstance(entry.get("resource"), dict):
                    raise ExchangeError("an entry of the Bundle holds no resource")
                yield str(entry.get("fullUrl", "")), entry["resource"]
                source.skip_comma("]")
            source.take("]")
        else:
            is_bundle |= (name, source.value()) == ("resourceType", "Bundle")
        source.skip_comma("}")
    if not is_bundle:
        raise ExchangeError("the file holds no FHIR Bundle")


class _Source:
    """JSON values off a text file, read in pieces."""

    def __init__(self, file: TextIO) -> None:
        self._file = file
        self._text = ""
        self._at = 0
        self._ended = False

    def peek(self) -> str:
        """The next character that is not white; '' at the end."""
        while True:
            while self._at < len(self._text):
                if not self._text[self._at].isspace():
                    return self._text[self._at]
                self._at += 1
            if not self._more():
                return ""

    def take(self, char: str) -> None:
        if self.peek() != char:
            raise ExchangeError(f"the file is no whole Bundle: '{char}' is missing")
        self._at += 1

    def skip_comma(self, end: str) -> None:
        if self.peek() == ",":
            self._at += 1
            if self.peek() != end:
                return
        if self.peek() != end:
            raise ExchangeError("the Bundle is cut off or no JSON")

    def value(self, what: str = "the Bundle") -> Any:
        self.peek()
        while True:
            try:
                value, end = DECODER.raw_decode(self._text, self._at)
                if end < len(self._text) or self._ended:  # a number at the very end might go on
                    self._at = end
                    return value
            except RecursionError:
                raise ExchangeError("the Bundle is nested too deep") from None
            except NameTwiceError as error:
                raise ExchangeError(f"{what}: {error}") from None
            except ValueError as error:
                if self._ended:
                    raise ExchangeError(f"the Bundle is cut off or no JSON ({error})") from None
            self._more()

    def _more(self) -> bool:
        read = self._file.read(max(_CHUNK, len(self._text) - self._at))  # longer values, longer steps
        self._text = self._text[self._at :] + read
        self._at = 0
        self._ended = not read
        return not self._ended
