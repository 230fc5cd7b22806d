"""What can be confirmed before a sitting, and what was, in one line."""

from collections.abc import Sequence

from collector.share.text.layout import counted

READY = (
    "30 minutes without smoking, coffee, tea, sport, alcohol",
    "toilet first",
    "sitting, back and feet supported",
    "arm bare and resting, cuff as high as the heart",
    "cuff just above the elbow, the usual arm",
)
"""What of `numbers.words.PREPARATION` can be confirmed beforehand, in its order and as short as a page wants it."""
RESTED = "rested"
WHOLE_REST = "rested 5 minutes"


def rested(seconds: float, wanted_s: float) -> str:
    """How long somebody rested, as it is kept with a sitting."""
    if seconds >= wanted_s:
        return f"{RESTED} {wanted_s / 60:g} minutes"
    return f"{RESTED} {clock_text(seconds)} of {clock_text(wanted_s)} minutes"


def summary(prepared: Sequence[Sequence[str]]) -> str:
    """One line on some sittings, each with what was confirmed; empty where there was none."""
    if not prepared:
        return ""
    count = len(prepared)
    sittings = counted(count, "guided sitting")
    missing = {line: count - sum(line in one for one in prepared) for line in (*READY, WHOLE_REST)}
    lacking = [f"{line} ({times} of {count})" for line, times in missing.items() if times]
    if not lacking:
        return f"{sittings}: every point confirmed, rested 5 minutes"
    return f"{sittings}; not confirmed: {'; '.join(lacking)}"


def clock_text(seconds: float) -> str:
    """Minutes and seconds, a begun second in whole: '4:59'."""
    whole = -int(-seconds // 1)
    return f"{whole // 60}:{whole % 60:02d}"
