"""Whether somebody keeps this machine's clock right, as its kernel knows."""

import ctypes

_TIME_ERROR = 5
_ROOM = 512  # for struct timex, whose length differs between machines


def synchronised() -> bool | None:
    """Whether the kernel holds the clock for synchronised, whoever does it; None where it cannot be asked.

    Source: adjtimex(2), return value TIME_ERROR. Asking changes nothing (modes 0).
    """
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.create_string_buffer(_ROOM))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != _TIME_ERROR
