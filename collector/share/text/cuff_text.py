"""A cuff in words."""

import re

from collector.share.text.layout import visible
from collector.store.journal.cuffs import Cuff

LONGEST_NAME = 60


def remarks(cuff: Cuff) -> tuple[str, ...]:
    """Bond, and what it calls itself."""
    found = ["bonded" if cuff.bonded else "not bonded"]
    if cuff.bond_missing_on:
        where = "the cuff has" if cuff.bond_missing_on == "cuff" else "this machine has"
        found.append(f"{where} lost the bond: pair again")
    if cuff.forgotten:
        found.append("forgotten")
    if cuff.advertised:
        found.append(f"calls itself {visible(cuff.advertised)}")
    return tuple(found)


def name_problem(name: str) -> str | None:
    """Why a cuff cannot be called so; None where it can."""
    if not name.isprintable() or len(name) > LONGEST_NAME:
        return f"a cuff's name is at most {LONGEST_NAME} printable letters"
    if is_address(name):
        return f"{name!r} looks like an address; a name has to look different"
    return None


def is_address(text: str) -> bool:
    return re.fullmatch(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}", text) is not None
