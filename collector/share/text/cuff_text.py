"""A cuff in words."""

import re

from collector.share.text.layout import visible
from collector.store.database import Store
from collector.store.journal import manners
from collector.store.journal.cuffs import Cuff
from collector.store.journal.manners import CuffManner

LONGEST_NAME = 60
UNDELIVERED = 3
"""Visits without any record from which on somebody is told; one or two happen to every cuff."""

PAIR_AGAIN = (
    "put it in pairing mode (usually a long press on its Bluetooth or memory button) beside this machine; where a "
    "phone holds its bond, forget the cuff there first"
)
SENDS_NOTHING = (
    "measure once, or press its transfer button; a cuff that sends only once its clock is set wants "
    'set_clock = "when wrong" under [radio]'
)
LET_IN = "quietcuff cuff add {} beside the cuff, which asks for the digits"
"""How a terminal lets a cuff in; a page has a button."""
REMEDIES = {
    "wants the digits on its display": "{let_in}",
    "hangs up when it is to pair": PAIR_AGAIN,
    "waits for a user's consent code": (
        'put user and consent_code, as the cuff shows them, under [cuffs."ADDRESS"] in the configuration'
    ),
    "hangs up at": "nothing to do: it is asked no more; measure once beside this machine",
    "does not answer to": "nothing to do: it is asked no more; measure once beside this machine",
    "sends only once its clock is set": 'nothing to do, unless [radio] says set_clock = "never": then it stays silent',
    "answers slowly": "nothing to do: it is given more time",
}
"""By the kind of manner (collector/radio/facts.py, `Manner`). The first five can be why a cuff never delivers."""
LIKELIEST = tuple(REMEDIES)[:5]
"""Why a cuff never delivers, the likeliest cause first."""


def remarks(cuff: Cuff, confirm: str = "cuff confirm") -> tuple[str, ...]:
    """Bond, and what it calls itself. confirm: how a bond is confirmed here."""
    found = ["bonded" if cuff.bonded else "not bonded"]
    if cuff.bond_missing_on:
        where = "the cuff has" if cuff.bond_missing_on == "cuff" else "this machine has"
        found.append(f"{where} lost the bond: pair again")
    if cuff.bond_renewed:
        found.append(f"bond renewed, not confirmed: {confirm}")
    if cuff.forgotten:
        found.append("forgotten")
    if cuff.advertised:
        found.append(f"calls itself {visible(cuff.advertised)}")
    return tuple(found)


def manner_text(manner: CuffManner) -> str:
    """What was learned of a cuff, as `cuff list -v` says it."""
    words = f"{manner.kind} {manner.detail}".strip()
    if not manner.sure:
        return f"{words} (seen once)"
    return f"{words} (now left out)" if manner.detail else words


def learned(store: Store, address: str, let_in: str) -> list[tuple[str, str]]:
    """Each manner of a cuff in words, and what it needs. let_in: how a cuff is let in here."""
    return [(manner_text(one), REMEDIES.get(one.kind, "").format(let_in=let_in)) for one in manners.of(store, address)]


def never_delivered(store: Store, address: str, let_in: str = LET_IN) -> tuple[str, str] | None:
    """Of a cuff that has come several times and brought nothing, or whose latest visits all failed: what is so, and
    what mends it. None for others."""
    visits = manners.undelivered(store, address)
    if visits < UNDELIVERED:
        return _failing(store, address)
    sure = {manner.kind: manner for manner in manners.of(store, address) if manner.sure}
    for kind in LIKELIEST:
        if kind in sure:
            remedy = REMEDIES[kind].format(let_in=let_in.format(address))
            return f"came {visits} times, never delivered: it {manner_text(sure[kind])}", remedy
    outcome = manners.last_outcome(store, address) or ""
    if outcome.startswith("failed"):
        return f"came {visits} times, never delivered: {visible(outcome.removeprefix('failed: '))}", PAIR_AGAIN
    return f"came {visits} times, never delivered: it sent nothing", SENDS_NOTHING


def _failing(store: Store, address: str) -> tuple[str, str] | None:
    """Of one that has delivered before."""
    visits = manners.failed_lately(store, address)
    if visits < UNDELIVERED:
        return None
    outcome = visible((manners.last_outcome(store, address) or "").removeprefix("failed: "))
    return f"its last {visits} visits failed and brought nothing: {outcome}", PAIR_AGAIN


def name_problem(name: str) -> str | None:
    """Why a cuff cannot be called so; None where it can."""
    if not name.isprintable() or len(name) > LONGEST_NAME:
        return f"a cuff's name is at most {LONGEST_NAME} printable letters"
    if is_address(name):
        return f"{name!r} looks like an address; a name has to look different"
    return None


def six_digits(typed: str) -> int | None:
    """A passkey as a cuff's display shows it (Core Specification Vol 3 Part H 2.3.5.6); None for anything else."""
    digits = "".join(typed.split())
    return int(digits) if len(digits) == 6 and digits.isascii() and digits.isdecimal() else None


def is_address(text: str) -> bool:
    return re.fullmatch(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}", text) is not None
