"""How fast a full measurement record becomes a value, against a `struct` decoder written by hand.

    python tests/bench/bench_decode.py

The hand-written one is what a program would do without a library: it knows this one layout, gives a
tuple of plain numbers, keeps no precision, no reserved bits and names no field when the value is cut.
"""

import math
import random
import struct
import sys
import time
from collections.abc import Callable

from parsers.declaration import Layout
from parsers.measurement import build_measurement, measurement, parse_measurement
from parsers.pressure import COMPOUND
from parsers.sfloat import SFloat
from parsers.stamps import DateTime

ALLOWED = 6.0
_SPECIAL = {0x07FF, 0x0800, 0x0801, 0x0802, 0x07FE}


def _number(word: int) -> float:
    if word in _SPECIAL:
        return math.nan
    mantissa, exponent = word & 0x0FFF, word >> 12
    if mantissa >= 0x0800:
        mantissa -= 0x1000
    if exponent >= 8:
        exponent -= 16
    return mantissa * 10.0**exponent


def by_hand(value: bytes) -> tuple[object, ...]:
    """The bare fields of a value with whatever its flags announce."""
    flags, systolic, diastolic, mean = struct.unpack_from("<BHHH", value)
    at = 7
    stamp = pulse = user = status = None
    if flags & 0x02:
        stamp = struct.unpack_from("<HBBBBB", value, at)
        at += 7
    if flags & 0x04:
        (word,) = struct.unpack_from("<H", value, at)
        pulse = _number(word)
        at += 2
    if flags & 0x08:
        user = value[at]
        at += 1
    if flags & 0x10:
        (status,) = struct.unpack_from("<H", value, at)
    return flags, _number(systolic), _number(diastolic), _number(mean), stamp, pulse, user, status


def payloads(count: int = 500) -> list[bytes]:
    """Full records of 19 octets, different ones, as a household's cuff sends them."""
    chance = random.Random(1)
    return [
        build_measurement(
            measurement(
                chance.randrange(95, 190),
                chance.randrange(50, 115),
                chance.randrange(65, 140),
                stamp=DateTime(
                    2026,
                    chance.randrange(1, 13),
                    chance.randrange(1, 29),
                    chance.randrange(24),
                    chance.randrange(60),
                    chance.randrange(60),
                ),
                pulse=chance.randrange(45, 120),
                user_id=chance.randrange(4),
                status=chance.randrange(64),
            )
        )
        for _ in range(count)
    ]


def microseconds(decoders: dict[str, Callable[[bytes], object]], values: list[bytes]) -> dict[str, float]:
    """Of one value, for each decoder: the best of many short turns that they take one after the other.

    In turns and in CPU time, so that a busy machine slows all alike and does not shift the ratio.
    """
    best = dict.fromkeys(decoders, math.inf)
    for _ in range(60):
        for name, decode in decoders.items():
            start = time.process_time_ns()
            for value in values:
                decode(value)
            best[name] = min(best[name], (time.process_time_ns() - start) / len(values) / 1e3)
    return best


def cold(value: bytes) -> object:
    """As for numbers never met before."""
    SFloat.from_word.cache_clear()
    return parse_measurement(value)


def main() -> int:
    values = payloads()
    assert all(len(value) == 19 for value in values)
    layout = Layout(COMPOUND)
    rows = microseconds(
        {
            "struct by hand, bare fields": by_hand,
            "derived struct, bare fields": layout.read,
            "parse_measurement, the value": parse_measurement,
            "construct itself, bare fields": COMPOUND.parse,
            "one SFLOAT word, remembered": lambda _: SFloat.from_word(0x0078),
        },
        values,
    ) | microseconds({"the value, no SFLOAT remembered": cold}, values)  # apart: it empties the memory
    base = rows["struct by hand, bare fields"]
    for name, took in rows.items():
        print(f"{name:32} {took:7.2f} µs {took / base:6.2f} ×")
    ratio = rows["parse_measurement, the value"] / base
    verdict = "within" if ratio <= ALLOWED else "OVER"
    print(f"decode ratio {ratio:.2f} ({verdict} {ALLOWED:.0f} × a hand-written struct decoder)")
    return 0 if ratio <= ALLOWED else 1


if __name__ == "__main__":
    sys.exit(main())
