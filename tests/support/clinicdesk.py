"""A clinic's station with a lending stock, and a scripted person at its screen; borrowers and codes are invented."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

from collector.intake.owner import assign_cuff
from collector.radio.facts import ReceivedPayload, ValueRead
from collector.service.guided import download, loan_papers
from collector.service.guided.loan_return import LoanReturn
from collector.service.guided.screen import Left
from collector.service.listen.store_sink import StoreSink
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.opening import open_store
from collector.store.people import loans
from collector.store.people.loan_states import State
from collector.store.people.loans import Loan
from parsers.measurement import build_measurement, measurement
from parsers.stamps import build_current_time
from parsers.uuids import Uuid

CUFF = "F0:F1:F2:F3:F4:F5"
LENT = datetime(2031, 3, 3, 9, tzinfo=UTC)
BACK = LENT + timedelta(days=8)


class Clinic:
    """A station with its stock, and a scripted person at the screen."""

    def __init__(self, store: Store, folder: Path) -> None:
        self.store, self.folder, self.sink = store, folder, StoreSink(store)
        self.at = LENT
        self.said: list[str] = []
        self.asked: list[str] = []
        self.keys: list[str | Callable[[], None]] = []
        self.ticks = count()

    # --- the screen ---
    def say(self, *texts: str) -> None:
        self.said += texts

    def result(self, text: str) -> None:
        self.said.append(text)

    def count(self, text: str, keys: str = "", left_s: float | None = None) -> None:
        text += keys
        if not self.asked or self.asked[-1] != text:
            self.asked.append(text)

    def settle(self, text: str) -> None: ...

    def wait(self, seconds: float) -> str:
        if not self.keys:
            raise Left
        key = self.keys.pop(0)
        if callable(key):
            key()
            return ""
        return key

    # --- the cuffs ---
    def visit(
        self,
        address: str = CUFF,
        taken: tuple[datetime, ...] = (),
        slot: int | None = 1,
        outcome: str = "cuff left",
        ahead: timedelta = timedelta(0),
        stays: timedelta = timedelta(0),
        stamped: bool = True,
    ) -> None:
        number = self.sink.open_visit(address, "virtual", self.at)
        shown = (self.at + ahead).replace(tzinfo=None)
        self.sink.learn(number, ValueRead(Uuid.CURRENT_TIME, build_current_time(shown), self.at))
        for n, at in enumerate(taken):
            stamp = (at + ahead).replace(tzinfo=None) if stamped else None
            value = build_measurement(measurement(120 + n, 80, stamp=stamp, user_id=slot))
            self.sink.take(
                ReceivedPayload(
                    cuff=address,
                    characteristic=Uuid.BLOOD_PRESSURE_MEASUREMENT,
                    value=value,
                    arrived_at=self.at,
                    source="virtual",
                    encrypted=True,
                ),
                number,
            )
        self.sink.close_visit(number, self.at + stays, outcome)
        assign_cuff(self.store, cuffs.row_of(self.store, address))
        self.at += timedelta(minutes=1)

    def take_back(
        self, *wanted: str, keys: str | list[str | Callable[[], None]] = "", as_they_come: bool = False
    ) -> bool:
        self.keys = list(keys)
        return LoanReturn(
            self.store, self, lambda: self.at, lambda: float(next(self.ticks)), self.save, lambda address: address
        ).take_back(list(wanted or (CUFF,)), as_they_come=as_they_come)

    def save(self, loan: Loan) -> list[str]:
        brought = download.read_download(self.store, loan, "UTC")
        loan_papers.write(loan_papers.returns_folder(self.folder, loan), loan, brought)
        return loan_papers.summary(loan, "clinic-3", brought, UTC)

    def state(self, address: str = CUFF) -> State | None:
        return loans.state_of(self.store, address)


@contextmanager
def stocked(folder: Path) -> Iterator[Clinic]:
    """One cuff, taken into the stock an hour before it is lent."""
    with open_store(folder / "store.db") as store:
        place = Clinic(store, folder / "returns")
        place.at = LENT - timedelta(hours=1)
        place.visit()
        assert place.take_back(keys="yyyyy")
        place.at = LENT
        yield place


def lent(clinic: Clinic, borrower: str = "B-117", *slots: int) -> Loan:
    return loans.lend(clinic.store, CUFF, borrower, slots or ("any",), clinic.at)


DAYS = tuple(LENT + timedelta(days=day, hours=12) for day in range(1, 6))
