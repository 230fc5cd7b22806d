"""Is the store there, sound, private, and did everything in its journal become a reading?"""

import stat
from collections.abc import Iterator
from pathlib import Path
from shlex import quote

from collector.service.checks.finding import Finding, attention, broken, fine, readable
from collector.share.text.layout import counted
from collector.store import journal, readings, sightings, upkeep
from collector.store.database import Store
from collector.store.journal import derivation
from collector.store.people import erase, saved_papers
from collector.store.unreadable import unreadable_values

AS_THE_SERVICE = "if it is the service's store, run as its user: sudo -u quietcuff quietcuff …; else mend its rights"
_SHOWN = 5  # values; of a store that is broken all over the first few tell enough
_REMEDIES = {
    "missing": "start `quietcuff listen`, which makes it, or give --store",
    "damaged": "stop the service, keep this file, put the last good backup in its place",
    "foreign": "give --store the right file",
    "foreign log": "stop the service first; then check again, and look at the newest readings",
    "newer": "update quietcuff",
    "read-only": AS_THE_SERVICE,
    "locked": "close the other program and check again",
}


def unusable(error: Exception) -> Finding:
    """The finding for a store that does not open."""
    kind = "read-only" if isinstance(error, PermissionError) else getattr(error, "kind", "other")
    remedy = _REMEDIES.get(kind, "see that the disk is there and sound")
    return (attention if kind == "missing" else broken)("store", str(error), remedy)


def findings(store: Store, quick: bool, listening: bool) -> Iterator[Finding]:
    """quick: without looking through the whole file. listening: a service works on it just now."""
    yield _sound(store, quick)
    yield from _privacy(store.path)
    yield from readable(store, _journal(store, listening))
    yield from readable(store, _miscounted(store, quick))
    yield from readable(store, _set_aside(store, quick))
    yield from readable(store, _erases(store))
    yield from readable(store, _papers(store))
    yield from _unreadable(store, quick)


def _sound(store: Store, quick: bool) -> Finding:
    wrong = [] if quick else upkeep.integrity(store)
    if wrong:
        more = f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""
        return broken("store", f"{store.path}: {wrong[0]}{more}", _REMEDIES["damaged"])
    counts = journal.counts(store)
    looked = "not looked through" if quick else "sound"
    return fine(
        "store",
        f"{store.path}, {looked}: {counted(counts.readings, 'reading')} from {counted(counts.payloads, 'payload')}, "
        f"{counts.repeats} came again",
    )


def _miscounted(store: Store, quick: bool) -> Iterator[Finding]:
    if count := 0 if quick else sightings.miscounted(store):
        do = "does" if count == 1 else "do"
        yield attention("readings", f"{count} {do} not match the journal", "run `quietcuff rebuild`")


def _set_aside(store: Store, quick: bool) -> Iterator[Finding]:
    if found := () if quick else readings.unreadable(store):
        reading, problem = found[0]
        yield attention(
            "readings",
            f"{len(found)} {'is' if len(found) == 1 else 'are'} set aside, as something in them cannot be read; the "
            f"first, {reading}: {problem}",
            "every command goes on without them; `quietcuff rebuild` derives them again, `strike` takes them out",
        )


def _erases(store: Store) -> Iterator[Finding]:
    if waiting := len(erase.pending(store)):
        yield attention(
            "erase",
            f"{counted(waiting, 'erase')} of a person {'is' if waiting == 1 else 'are'} not finished: the file may "
            "still hold what was deleted, and nobody has searched it",
            "close what else reads the store, then any other command finishes it and says so, such as "
            "`quietcuff person list`",
        )


def _papers(store: Store) -> Iterator[Finding]:
    for one in saved_papers.lacking(store):
        yield attention(
            "loans",
            f"the saved papers of {one.borrower} and {one.cuff} lack {counted(one.readings, 'reading')} that "
            f"{'was' if one.readings == 1 else 'were'} set aside at the return, and found to be of the loan since",
            f"`quietcuff report {quote(one.borrower)}` and `export` have all; the next `quietcuff loan back "
            f"{quote(one.cuff)}` saves them once more",
        )


def _unreadable(store: Store, quick: bool) -> Iterator[Finding]:
    found = () if quick else tuple(unreadable_values(store))
    for value in found[:_SHOWN]:
        yield attention("values", f"{value}; a command that needs it says so and stops", value.remedy)
    if len(found) > _SHOWN:
        yield attention("values", f"{len(found) - _SHOWN} more cannot be read", "mend those above, then check again")


def named(path: Path) -> Iterator[Finding]:
    """By the name that was given: one store, one name."""
    if path.is_symlink():
        yield attention(
            "store rights",
            f"{path} is a symbolic link, to {path.resolve()}: whoever may change the link chooses the store",
            f"name the file itself: --store {path.resolve()}, or path under [store]",
        )
    if path.stat().st_nlink > 1:
        yield attention(
            "store",
            f"{path} has a second name (a hard link): what is written by the one is lost to the other",
            f"find it (find / -xdev -samefile {path}) and take it away; a copy is made by `quietcuff backup now`",
        )


def _privacy(path: Path) -> Iterator[Finding]:
    for suffix in ("", "-wal", "-shm"):
        file = path.with_name(path.name + suffix)
        mode = stat.S_IMODE(file.stat().st_mode) if file.exists() else 0
        if mode & (stat.S_IRWXG | stat.S_IRWXO):
            who = "everybody on this machine" if mode & stat.S_IRWXO else "its group"
            yield attention(
                "store rights", f"{file} can be read or written by {who} (mode {mode:04o})", f"chmod go-rwx {file}"
            )


def _journal(store: Store, listening: bool) -> Iterator[Finding]:
    troubles = list(journal.troubles(store))
    if troubles:
        newest = troubles[-1]
        words = "payloads gave" if len(troubles) > 1 else "payload gave"
        yield attention(
            "payloads",
            f"{len(troubles)} {words} no reading; the newest, {newest.value[:24].hex()} from "
            f"{newest.cuff} at {newest.arrived_at:%Y-%m-%d %H:%M} UTC: {newest.reason or newest.kind}",
            "they are kept; look with `quietcuff decode`, and after an update run `quietcuff rebuild`",
        )
    waiting = journal.counts(store).waiting
    if waiting and not listening:
        yield attention(
            "payloads",
            f"{waiting} are in the journal and not read yet",
            "start the service, or run `quietcuff rebuild`",
        )
    again = len(derivation.cuffs_to_redo(store))
    if again and not listening:
        yield attention(
            "readings",
            f"those of {counted(again, 'cuff')} are to be derived again, as after an update; until then some "
            "may be another's, or count otherwise",
            "start the service, or run `quietcuff rebuild`",
        )
