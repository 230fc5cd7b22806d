"""The one exception that parsing raises."""


class ParseError(ValueError):
    """A value that cannot be read.

    field: the field that could not be read, in words. octet: offset from 0 of the first octet that is
    missing. reason: what is wrong. The text is one line for a person.
    """

    def __init__(self, field: str, octet: int, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field = field
        self.octet = octet
        self.reason = reason

    def __reduce__(self) -> tuple[type["ParseError"], tuple[str, int, str]]:
        return ParseError, (self.field, self.octet, self.reason)
