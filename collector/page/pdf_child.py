"""A process that makes one PDF: what is wanted comes in on stdin, the page goes out on stdout."""

import json
import sys
from datetime import UTC, date, datetime
from pathlib import Path

from collector.page.for_the_visit import wanted
from collector.page.guard import Life
from collector.page.visitor import ServedStation
from collector.service.config import load
from collector.share.report import ReportError, render_pdf
from collector.share.report.gather import gather
from collector.store import people
from collector.store.opening import open_store


def main() -> int:
    order = json.load(sys.stdin)
    path = Path(order["store"])
    first, last = (date.fromisoformat(order[name]) if order[name] else None for name in ("first", "last"))
    config = load(Path(order["config"]) if order["config"] else None)
    with open_store(path, create=False, read_only=True) as store:
        person = people.by_row(store, order["person"])
        assert person is not None
        station = ServedStation(store, config, path, Life())
        try:
            page = render_pdf(gather(store, wanted(station, person, first, last), datetime.now(UTC)), order["paper"])
        except ReportError as error:
            sys.stderr.write(str(error))
            return 1
    sys.stdout.buffer.write(page)
    return 0


if __name__ == "__main__":
    sys.exit(main())
