"""Taking loan cuffs back: wait for them, download, save, then ask for the physical checks, one by one.

Every step is in the store before the next begins, so whatever interrupts it, the same command goes on where it was.
Nothing is asked to be erased before report and export are written and read back.
"""

from collections.abc import Callable
from datetime import datetime

from collector.intake.owner import assign_cuff
from collector.service.guided import download
from collector.service.guided.screen import Left, Screen, pressed, yes
from collector.share.text.preparation import clock_text
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.people import loan_doubts, loans, saved_papers
from collector.store.people.loan_states import CHECKS, State, Step
from collector.store.people.loans import Loan


class LoanReturn:
    """Takes a batch of cuffs back.

    save: writes report and export of a loan and reads them back; returns the lines of the summary for the chart.
    name: how a cuff is called on screen.
    """

    def __init__(
        self,
        store: Store,
        screen: Screen,
        now: Callable[[], datetime],
        seconds: Callable[[], float],
        save: Callable[[Loan], list[str]],
        name: Callable[[str], str],
    ) -> None:
        self.store, self.screen, self.now, self.seconds = store, screen, now, seconds
        self.save, self.name = save, name

    def take_back(self, wanted: list[str], *, as_they_come: bool = False) -> bool:
        """All of them, as far as they come. Says whether every one is available afterwards.

        as_they_come: a loan goes on until its cuff is here; else it ends now.
        """
        lent = [loans.current(self.store, cuff) for cuff in wanted if as_they_come]
        out = [loan for loan in lent if loan and loan.step is Step.OUT]
        batch = [self._begin(cuff) for cuff in wanted if cuff not in [loan.cuff for loan in out]]
        try:
            here = [self._save(loan) for loan in self._download(batch, out)]
            available = [self._look_after(loan) for loan in here]
            return len(available) == len(wanted) and all(available)
        except (Left, KeyboardInterrupt):
            self.screen.say("You left. What is done is kept; run the same command to go on from here.")
            return False

    def _begin(self, cuff: str) -> Loan:
        now = self.now()
        with self.store.transaction():
            loan = loans.begin_return(self.store, cuff, now)
            if loan.step is Step.WAITING or loan.back_at == now:
                assign_cuff(self.store, cuffs.row_of(self.store, loan.cuff))
        return loan

    # --- Waiting for the cuffs --------------------------------------------------------------------------------------

    def _download(self, batch: list[Loan], out: list[Loan]) -> list[Loan]:
        """Until each cuff was here for a whole visit; Enter goes on with those that were."""
        batch, out = list(batch), list(out)
        missing = [loan for loan in batch if loan.step is Step.WAITING]
        if missing or out:
            awaited = ", ".join(self.name(loan.cuff) for loan in [*missing, *out])
            self.screen.say(f"Switch the cuffs on and let them send: {awaited}.")
        began, since = self.seconds(), self.now()
        while missing or out:
            for lent in list(out):
                loan = loans.get(self.store, lent.row)  # another desk may have gone on with it
                if loan.step is Step.OUT and download.is_here(self.store, loan, since, self.now()):
                    loan = self._begin(loan.cuff)
                if loan.step is not Step.OUT:
                    out.remove(lent)
                    batch.append(loan)
                    missing += [loan] if loan.step is Step.WAITING else []
            for loan in [loan for loan in missing if download.whole_visit(self.store, loan, self.now())]:
                missing.remove(loan)
                batch[batch.index(loan)] = self._received(loan)
                self.screen.say(f"{self.name(loan.cuff)}: all received.")
            if not missing and not out:
                break
            count, of = len(missing) + len(out), len(batch) + len(out)
            self.screen.count(
                f"Waiting for {count} of {of} cuffs {clock_text(self.seconds() - began)}",
                "  Enter goes on without them, q leaves",
            )
            if pressed(self.screen) in ("\n", "\r"):
                for loan in missing:
                    self.screen.say(
                        f"{self.name(loan.cuff)}: not received; it stays marked '{State.RETURNED}' and is not lent."
                    )
                for loan in out:
                    self.screen.say(f"{self.name(loan.cuff)}: not here; its loan goes on.")
                break
        return [loan for loan in batch if loan.step is not Step.WAITING]

    def _received(self, loan: Loan) -> Loan:
        with self.store.transaction():
            loan = loans.get(self.store, loan.row)
            if loan.step is Step.WAITING:  # another desk may have gone on with it
                loan = loans.advance(self.store, loan, Step.DOWNLOADED, self.now())
                assign_cuff(self.store, cuffs.row_of(self.store, loan.cuff))  # it ends what another station lent
        return loan

    # --- Saving -----------------------------------------------------------------------------------------------------

    def _save(self, loan: Loan) -> Loan:
        loan = loans.get(self.store, loan.row)  # while others were waited for its borrower may have been renamed
        if loan.step is Step.DOWNLOADED:
            loan = self._write_down(loan)
            loan = loans.advance(self.store, loan, Step.SAVED, self.now())
        return loan

    def _write_down(self, loan: Loan) -> Loan:
        # Before: what comes meanwhile is saved once more.
        records, own = download.records_of_return(self.store, loan), saved_papers.readings_of_loan(self.store, loan)
        for former in download.papers_lacking(self.store, loan):
            more = f"{self.name(loan.cuff)}: there is more of an earlier loan"
            self.screen.say(f"{more}. What is of {former.borrower} is saved once more:")
            readings = saved_papers.readings_of_loan(self.store, former)
            self._show(former)
            saved_papers.note_saved(self.store, former, None, readings, self.now())
        self._show(loan)
        return saved_papers.note_saved(self.store, loan, records, own, self.now())

    def _show(self, loan: Loan) -> None:
        for line in self.save(loan):
            self.screen.result(line)

    # --- Looking after it -------------------------------------------------------------------------------------------

    def _look_after(self, loan: Loan) -> bool:
        """The checks that were not done yet. Available only when each is so, as the cuff stands then."""
        while check := next((check for check in CHECKS if check.key not in loan.checks), None):
            cuff, said = self.name(loan.cuff), loan_doubts.marked(self.store, loan.cuff)
            so = yes(self.screen, f"{cuff} ({said}): {check.question}" if said else f"{cuff}: {check.question}")
            with self.store.transaction():  # another desk may have gone on with it, or have marked it
                loan = loans.get(self.store, loan.row)
                if loan.step is Step.CLOSED:
                    break
                said_now = loan_doubts.marked(self.store, loan.cuff)
                if said_now == said and so:
                    loan = loans.note_check(self.store, loan, check.key, self.now())
                elif said_now == said:
                    loans.set_state(self.store, loan.cuff, check.otherwise, self.now(), check.question)
            if said_now != said:
                self.screen.say(f"{cuff} was marked '{said_now}' meanwhile: look at it again.")
            elif not so:
                self.screen.say(f"{cuff} is marked '{check.otherwise}'. When that is put right, take it back again.")
                return False
        return self._free(loan)

    def _free(self, loan: Loan) -> bool:
        with self.store.transaction():  # nothing comes between the look and the freeing
            loan = loans.get(self.store, loan.row)
            if loan.step is Step.CLOSED:
                self.screen.say(f"{self.name(loan.cuff)} was looked after at another desk meanwhile.")
                return True
            all_asked = all(check.key in loan.checks for check in CHECKS)
            all_saved = download.records_of_return(self.store, loan) == loan.checks.get(loans.SAVED_RECORDS)
            if all_asked and all_saved:
                loans.make_available(self.store, loan, self.now())
        if not all_saved:
            loan = loans.forget_check(self.store, self._write_down(loan), "empty", self.now())
            self.screen.say(f"{self.name(loan.cuff)} sent more meanwhile. That is saved now too.")
        if not all_asked or not all_saved:
            return self._look_after(loan)
        self.screen.say(f"{self.name(loan.cuff)} is available.")
        return True
