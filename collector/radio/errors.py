"""The errors of the radios; the text of each is one line for a person."""


class RadioError(Exception):
    """Anything that went wrong on the air or below it; the text is one line for a person."""


class RadioUnavailable(RadioError):
    """No adapter, no D-Bus, Bluetooth off, no right: the service says so in one line and tries again."""


class LinkLost(RadioError):
    """The cuff is gone. Whatever arrived before stays."""


class RefusedByCuff(RadioError):
    """The cuff answered a request with an ATT error.

    code: the ATT error code (Core Specification Vol 3 Part F 3.4.1.1), or None where the stack hides it.
    """

    def __init__(self, text: str, code: int | None = None) -> None:
        super().__init__(text)
        self.code = code


class NotTaken(Exception):
    """The payload could not be made durable: do not confirm it. The text is one line for a person."""
