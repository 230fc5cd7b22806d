"""Setting a cuff's clock in a visit, by ours where that can be right at all: a computer without one starts in 1970."""

from datetime import UTC, datetime

from collector.radio.errors import RefusedByCuff
from collector.radio.facts import ClockSet
from collector.radio.own_clock import trustworthy
from collector.radio.plan import SetClock
from collector.radio.steps import SETTING, Steps
from collector.radio.time_limit import within
from parsers.cuff_clock import CLOCKS, build_clock, clock_shown, seconds_ahead


async def set_clock(steps: Steps, though_right: bool) -> bool:
    """Set the cuff's clock, between two readings of it.

    Only once the cuff has fallen quiet, so that records stamped by the old clock are here already, except where
    it sends nothing before; the reading before and the one after say for every stamp by which clock it was
    written. Never where our own clock cannot be right (a computer without clock before it has asked for the
    time). though_right: also where 'when wrong' would leave it.
    """
    found = steps.find(*CLOCKS, property_="write") or steps.find(*CLOCKS, property_="write-without-response")
    if found is None or found.short is None or SETTING in steps.left_out:
        return False
    before = await steps.read(*CLOCKS)
    if before is None:
        return False
    shown = clock_shown(before.characteristic, before.value)
    right = (
        shown is not None and abs(seconds_ahead(shown, before.at, steps.plan.zone)) <= steps.plan.clock_wrong_after_s
    )
    leave = steps.plan.set_clock is SetClock.WHEN_WRONG and right and not though_right
    if leave or not trustworthy(before.at):
        return False
    value, error = build_clock(found.short, datetime.now(UTC), steps.plan.zone), None
    try:
        with steps.at(SETTING):
            await within(steps.limit_s(), steps.link.write(found, value))
    except TimeoutError:
        steps.silent = True
        steps.note(SETTING, "no answer")
        return False
    except RefusedByCuff as refusal:
        error = refusal.code
        steps.note(SETTING, str(refusal))
    steps.learn(ClockSet(found.short, value, datetime.now(UTC), error))
    await steps.read(*CLOCKS)
    return True
