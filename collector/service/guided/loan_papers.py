"""What is kept of a loan when its cuff is back: report, export, and a summary for the chart."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from datetime import tzinfo
from io import StringIO
from pathlib import Path
from typing import TextIO
from urllib.parse import quote

from collector.service.guided.download import Download, why_set_aside
from collector.share.export.rows import write_csv, write_ndjson
from collector.share.private_file import private_file
from collector.share.text.layout import counted
from collector.store.people.loans import Loan
from collector.store.values import Reading


class NotSaved(Exception):
    """What was written cannot be read back as it was: nothing may be erased. One line for a person."""


def returns_folder(returns: Path, loan: Loan) -> Path:
    """One folder below `returns` a cuff and loan, whatever signs the borrower's code is made of."""
    assert loan.back_at is not None
    code = quote(loan.borrower or "nobody", safe=" ")
    return returns / f"{code}-{loan.back_at:%Y%m%d-%H%M}-{loan.cuff.replace(':', '')[-6:]}"


def write(folder: Path, loan: Loan, brought: Download) -> list[Path]:
    """Readings of the borrower, and apart from them those set aside, with why. Read back before this returns."""
    written = []
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for name, some in (("readings", brought.mine), ("set-aside", brought.strangers)):
            if some or name == "readings":
                written += [
                    _write(folder / f"{name}.csv", write_csv, some),
                    _write(folder / f"{name}.ndjson", write_ndjson, some),
                ]
                _read_back(folder, name, some)
        if brought.strangers:
            written.append(folder / "set-aside-why.txt")
            with private_file(written[-1]) as file:
                file.writelines(
                    f"{one.reading_id} {one.taken_at.isoformat(' ', 'minutes')}: {why_set_aside(one, loan)}\n"
                    for one in brought.strangers
                )
    except OSError as error:
        raise NotSaved(
            f"{folder}: cannot be written ({(error.strerror or 'no reason given').lower()}); nothing was "
            "erased. Name another folder with --folder"
        ) from error
    return written


def _write(path: Path, writer: Callable[[Iterable[Reading], TextIO], int], some: Sequence[Reading]) -> Path:
    with private_file(path) as file:
        writer(some, file)
    return path


def _read_back(folder: Path, name: str, some: Sequence[Reading]) -> None:
    """What a chart will rest on is there, whole: each id, each value, as many lines as readings."""
    for suffix, writer in (("csv", write_csv), ("ndjson", write_ndjson)):
        writer(some, expected := StringIO(newline=""))
        with (folder / f"{name}.{suffix}").open(encoding="utf-8", newline="") as file:
            if file.read() != expected.getvalue():
                raise NotSaved(
                    f"{file.name}: what was written does not read back as it was; nothing was erased. Try again"
                )


def summary(loan: Loan, name: str, brought: Download, zone: tzinfo) -> list[str]:
    """Lines for the chart, values apart: those are in the report. zone: of the station's clock."""
    assert loan.back_at is not None
    lines = [
        f"{name}: borrower {loan.borrower or 'none'}, lent {loan.out_at.astimezone(zone):%Y-%m-%d}, "
        f"back {loan.back_at.astimezone(zone):%Y-%m-%d %H:%M}",
        f"  {counted(brought.records, 'record')} received; {counted(len(brought.mine), 'reading')} of the borrower",
    ]
    if brought.mine:
        first, last = brought.mine[0].taken_at, brought.mine[-1].taken_at
        lines.append(f"  taken {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}")
    if brought.others:
        lines.append(f"  {counted(len(brought.others), 'reading')} of somebody else, kept as theirs")
    reasons = Counter(why_set_aside(reading, loan) for reading in brought.strangers)
    lines += [f"  {counted(count, 'reading')} set aside: {why}" for why, count in sorted(reasons.items())]
    lines.append(f"  {clock_words(brought.clock_ahead_s)}")
    return lines


def clock_words(ahead_s: float | None) -> str:
    if ahead_s is None:
        return "the cuff tells no time; its stamps could not be compared with a clock"
    if abs(ahead_s) < 5:
        return "the cuff's clock is right"
    size = f"{abs(ahead_s):.0f} s" if abs(ahead_s) < 120 else f"{abs(ahead_s) / 60:.0f} min"
    return f"the cuff's clock is {size} {'fast' if ahead_s > 0 else 'slow'}; times are put right"
