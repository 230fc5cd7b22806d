"""From a cuff's first advertisement to its subscription, as a multiple of the link's own minimum.

The minimum: the cuff's answer to one request, which is what subscribing itself takes on a link that is up. Each answer
of the cuff takes 0.1 s here; scanning, connecting and all of ours comes on top.

Run: python tests/bench/bench_subscribe.py
"""

import asyncio
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from air import fill, room

from collector.radio.virtual import Behaviour, VirtualCuff

ANSWER_S = 0.1
VISITS = 3


async def measure(behaviour: Behaviour) -> list[tuple[float, int]]:
    """For each visit: seconds until the cuff had the subscription, and how many requests came before it."""
    found = []
    cuff = VirtualCuff(behaviour=behaviour)
    async with room(cuff) as air:
        for _ in range(VISITS):
            fill(cuff, 1)
            cuff.steps.clear()
            subscribed: list[float] = []
            radio = cuff._radio
            assert radio is not None
            step = radio.step

            def noting(name: str, step=step, subscribed=subscribed) -> bool:  # type: ignore[no-untyped-def]
                if name.startswith("subscribe 2a35") or name == "indicate":
                    subscribed.append(time.monotonic())
                return bool(step(name))

            radio.step = noting  # type: ignore[method-assign]
            began = time.monotonic()
            await air.wake()
            radio.step = step  # type: ignore[method-assign]
            steps = list(cuff.steps)
            until = next(n for n, name in enumerate(steps) if name.startswith("subscribe") or name == "indicate")
            requests = sum(name not in ("connect", "encrypted") for name in steps[:until])
            found.append((subscribed[0] - began, requests))
    return found


def main() -> None:
    kinds = {
        "no bond": Behaviour(pairing=False, answers_after_s=ANSWER_S, lingers_s=1.0),
        "bonded": Behaviour(answers_after_s=ANSWER_S, lingers_s=1.0),
        "bonded, sends once subscribed anew": Behaviour(answers_after_s=ANSWER_S, lingers_s=1.0, eager=False),
    }
    for name, behaviour in kinds.items():
        for visit, (seconds, requests) in enumerate(asyncio.run(measure(behaviour)), start=1):
            print(
                f"{name}, visit {visit}: {seconds:.2f} s, {requests} requests, {seconds / ANSWER_S:.1f} x the minimum"
            )


if __name__ == "__main__":
    main()
