"""Report, export and summary of one loan, on disk and read back: the same from a terminal and from the page."""

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.numbers import words
from collector.service.config import Config, zone_of
from collector.service.config.plans import in_force
from collector.service.guided import download, loan_papers
from collector.share.private_file import private_file
from collector.share.report import ReportError, render_html, render_pdf
from collector.share.report.data import ReportData
from collector.share.report.gather import WantedReport, gather
from collector.share.text.average_text import average_lines
from collector.store.database import Store
from collector.store.people.loans import Loan

ToPdf = Callable[[ReportData], bytes]


def in_this_process(data: ReportData) -> bytes:
    """Raises ReportError without the extra 'report'."""
    return render_pdf(data, "A4")


def save(
    store: Store, config: Config, loan: Loan, returns: Path, name: str, to_pdf: ToPdf = in_this_process
) -> list[str]:
    """Returns the lines of the summary. name: what the cuff is called. Raises NotSaved, StoreError."""
    brought = download.read_download(store, loan, zone_of(config))
    folder = loan_papers.returns_folder(returns, loan)
    loan_papers.write(folder, loan, brought)
    if loan.borrower and brought.mine:
        data = report_of(store, config, loan.borrower)
        pages = {"report.html": render_html(data).encode()}
        with suppress(ReportError):  # without the extra 'report'
            pages["report.pdf"] = to_pdf(data)
        for file_name, page in pages.items():
            with private_file(folder / file_name, binary=True) as file:
                file.write(page)
    return [*summary(store, config, loan, name), f"  saved and read back in {folder}"]


def summary(store: Store, config: Config, loan: Loan, name: str) -> list[str]:
    """Lines for the chart, with the borrower's mean; the same however often they are asked for."""
    brought = download.read_download(store, loan, zone_of(config))
    lines = loan_papers.summary(loan, name, brought, ZoneInfo(zone_of(config)))
    if loan.borrower and brought.mine:
        averaged = report_of(store, config, loan.borrower).average
        lines += [f"  {line}" for line in average_lines(averaged, loan.borrower, 100)]
        lines.append(f"  {words.caution(config.station.emergency_number)}")
    return lines


def report_of(store: Store, config: Config, borrower: str) -> ReportData:
    rules, plan = in_force(config, borrower)
    emergency, place = config.station.emergency_number, config.station.name
    return gather(store, WantedReport(borrower, rules, plan, emergency=emergency, place=place), datetime.now(UTC))
