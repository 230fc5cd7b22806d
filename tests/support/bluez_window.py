"""How long records over BlueZ were in nobody's memory but this machine's, by what a listener's log says."""

import re


def window(said: str) -> dict[str, list[float]]:
    """Of all records in a listener's log, ms from the kernel to the disk: median and 95th of 100, by stage."""
    words = re.findall(r"on disk ([\d.]+) ms .*?: ([\d.]+) until it was read, ([\d.]+) until it was written", said)
    found: dict[str, list[float]] = {}
    for name, values in zip(("all", "until read", "until written"), zip(*words, strict=True), strict=False):
        ordered = sorted(map(float, values))
        found[name] = [ordered[len(ordered) // 2], ordered[len(ordered) * 95 // 100]]
    return found
