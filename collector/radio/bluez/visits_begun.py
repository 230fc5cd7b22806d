"""The desk as a radio's visits see it: a cuff's visit begins with the first sign of it, be it a record.

A bonded cuff may send before discovery has finished and leave before the visit procedure has begun; its records
still belong to a visit.
"""

from datetime import UTC, datetime

from collector.radio.port import Arrival, Desk, Fact, KnownCuff


class Reception:
    """Implements Desk over another; `source` names where this radio's payloads come from."""

    def __init__(self, desk: Desk, source: str) -> None:
        self.desk, self.source = desk, source
        self._visits: dict[str, int] = {}
        self._taken_over: set[int] = set()

    def visit_of(self, cuff: str) -> int:
        """The visit that a record of this cuff belongs to; begins one where there is none."""
        number = self._visits.get(cuff)
        if number is None:
            number = self._visits[cuff] = self.desk.open_visit(cuff, self.source, datetime.now(UTC))
        return number

    def abandon(self, cuff: str, outcome: str) -> None:
        """The link is down: close a visit that the procedure did not take over."""
        number = self._visits.get(cuff)
        if number is not None and number not in self._taken_over:
            del self._visits[cuff]
            self.desk.close_visit(number, datetime.now(UTC), outcome)

    # -- Desk ----------------------------------------------------------------------------------------

    def known(self) -> tuple[KnownCuff, ...]:
        return self.desk.known()

    def accepts(self, cuff: str) -> bool:
        return self.desk.accepts(cuff)

    def open_visit(self, cuff: str, source: str, at: datetime) -> int:
        number = self._visits.get(cuff)
        if number is None:
            number = self._visits[cuff] = self.desk.open_visit(cuff, source, at)
        self._taken_over.add(number)
        return number

    def learn(self, visit: int, fact: Fact) -> None:
        self.desk.learn(visit, fact)

    def take(self, arrival: Arrival, visit: int | None) -> None:
        self.desk.take(arrival, visit)

    def close_visit(self, visit: int, at: datetime, outcome: str) -> None:
        self._taken_over.discard(visit)
        for cuff in [cuff for cuff, number in self._visits.items() if number == visit]:
            del self._visits[cuff]
        self.desk.close_visit(visit, at, outcome)

    def tell(self, topic: str, text: str | None) -> None:
        self.desk.tell(topic, text)
