"""Loan desk: the stock, lending by code, taking back several at once, the checks one by one, the summary to print."""

import subprocess

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from collector.page.for_the_visit import CHILD_S, PDF_CHILD, pdf_order
from collector.page.rendering import draw
from collector.page.series import latest
from collector.page.visitor import RequestRefused, ServedStation, carried_out, form, may, once, station_of, told
from collector.service.guided import loan_saving
from collector.service.guided.loan_desk import ReturnStanding, standing_of_return
from collector.service.guided.loan_papers import NotSaved
from collector.service.listener_lock import listener
from collector.service.machine_clock import believed_now, doubt, set_by_network
from collector.share.report import ReportError
from collector.share.report.data import ReportData
from collector.share.report.days import written
from collector.store import people
from collector.store.errors import StoreError
from collector.store.journal import cuffs
from collector.store.people import lending_stock, loans
from collector.store.people.lending_stock import Stocked
from collector.store.people.loan_states import CHECKS, MARKS, State, Step
from collector.store.people.loans import Loan
from collector.store.people.page_devices import Role

BACK = "back:"
"""How the fields that choose a cuff to take back begin; its address follows."""


@may(Role.DESK, Role.KEEPER)
async def desk(request: Request) -> Response:
    return _draw(request)


@may(Role.DESK, Role.KEEPER)
async def lend(request: Request) -> Response:
    station, data = station_of(request), await form(request)
    code = data.get("code", "").strip()
    cuff, lend_to = data.get("cuff", ""), loans.lend
    try:
        now, network = believed_now(station.store), set_by_network()
        once(request, data, lambda: lend_to(station.store, cuff, code, ("any",), now, set_by_network=network))
    except StoreError as error:
        return _draw(request, 422, told(error), data)
    return RedirectResponse("/desk", 303)


@may(Role.DESK, Role.KEEPER)
async def take_back(request: Request) -> Response:
    """Several at once: each goes on by itself from here. An old page ends no loan that it did not show."""
    station, data = station_of(request), await form(request)
    chosen = {name.removeprefix(BACK): shown for name, shown in data.items() if name.startswith(BACK)}
    if not chosen:
        return _draw(request, 422, "Mark the cuffs that are back.", data)
    for address, shown in chosen.items():
        loan = loans.current(station.store, address)
        if loan and loan.step is Step.OUT and shown != str(loan.row):
            name = _name(station, address)
            return _draw(request, 422, f"{name} was lent since this page was drawn: mark it again if it is back.", data)
    try:
        now = believed_now(station.store)
        with station.store.transaction():
            for address in chosen:
                loans.begin_return(station.store, address, now)
    except StoreError as error:
        return _draw(request, 422, told(error), data)
    return RedirectResponse("/desk", 303)


@may(Role.DESK, Role.KEEPER)
async def mark(request: Request) -> Response:
    """Out of use, with a reason."""
    station, data = station_of(request), await form(request)
    address = cuffs.find(station.store, data.get("cuff", ""))
    state = next((one for one in MARKS if one.value == data.get("state")), None)
    if address is None or state is None:
        raise RequestRefused(404)
    reason = " ".join(data.get("reason", "").split()) or None
    return await carried_out(
        request, "/desk", lambda: loans.mark(station.store, address, state, believed_now(station.store), reason), data
    )


@may(Role.DESK, Role.KEEPER)
async def checked(request: Request) -> Response:
    """An answer to the question that stands there; to another it is none, nor to one of a return that is over."""
    station, data = station_of(request), await form(request)
    loan = _loan(request)
    answer = (data.get("question", ""), data.get("answer") == "yes")
    if loan.step is not Step.CLOSED:
        _standing(station, loan.cuff, answer)
    return RedirectResponse(f"/desk#{loan.row}", 303)


@may(Role.DESK, Role.KEEPER)
async def summary(request: Request) -> Response:
    station, loan = station_of(request), _loan(request)
    if loan.back_at is None:
        raise RequestRefused(404)
    lines = loan_saving.summary(station.store, station.config, loan, _name(station, loan.cuff))
    return draw(request, "summary.html", lines=lines)


def _draw(request: Request, status: int = 200, error: str = "", sent: dict[str, str] | None = None) -> Response:
    station = station_of(request)
    seen = latest(station)
    stock = lending_stock.stock(station.store)
    returns = [
        (one, one.loan, _name(station, one.cuff), _standing(station, one.cuff, None))
        for one in stock
        if one.loan and one.loan.step is not Step.OUT
    ]
    stock = lending_stock.stock(station.store)  # a look may have moved a cuff on
    met = {cuff.address: cuff.name or cuff.address for cuff in cuffs.every(station.store)}
    return draw(
        request,
        "desk.html",
        status,
        stock=[(one, _name(station, one.cuff), written(one.since.astimezone(station.zone).date())) for one in stock],
        free=[(one.cuff, _name(station, one.cuff)) for one in stock if one.state is State.AVAILABLE],
        out=[(one.cuff, _name(station, one.cuff), one.loan) for one in stock if _to_take_back(one)],
        others=[(address, name) for address, name in met.items() if address not in {one.cuff for one in stock}],
        returns=returns,
        checks=CHECKS,
        marks=[state.value for state in MARKS],
        listening=listener(station.path) is not None,
        back=BACK,
        sent=sent or {},
        error=error,
        seen=seen,
    )


def _to_take_back(one: Stocked) -> bool:
    """Also one that was marked while it was out, or that was put right since."""
    return lending_stock.is_awaited(one) and (one.loan is None or one.loan.step is Step.OUT)


def _standing(station: ServedStation, cuff: str, answer: tuple[str, bool] | None) -> ReturnStanding:
    def save(loan: Loan) -> list[str]:
        returns = station.path.parent / "returns"
        return loan_saving.save(
            station.store, station.config, loan, returns, _name(station, loan.cuff), to_pdf=_in_a_child(station, loan)
        )

    if reason := doubt(station.store):
        return ReturnStanding(said=[reason])
    try:
        return standing_of_return(station.store, cuff, lambda address: _name(station, address), save, answer)
    except NotSaved as error:
        return ReturnStanding(said=[str(error)])
    except StoreError as error:  # say, that its loan was lent in a time that has not come
        return ReturnStanding(said=[told(error)])


def _in_a_child(station: ServedStation, loan: Loan) -> loan_saving.ToPdf:
    """What draws a PDF is large and would stay in this process."""

    def make(data: ReportData) -> bytes:
        person = people.by_row(station.store, loan.borrower_row or 0)
        assert person is not None
        made = subprocess.run(PDF_CHILD, input=pdf_order(station, person), capture_output=True, timeout=CHILD_S)
        if made.returncode:
            raise ReportError(made.stderr.decode(errors="replace"))
        return made.stdout

    return make


def _name(station: ServedStation, address: str) -> str:
    return cuffs.given_name(station.store, address) or address


def _loan(request: Request) -> Loan:
    try:
        return loans.get(station_of(request).store, request.path_params["loan"])
    except StoreError:
        raise RequestRefused(404) from None
