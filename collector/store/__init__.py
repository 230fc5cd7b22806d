"""The store: one SQLite file that holds the journal (the truth) and the readings derived from it.

How the other rooms use it:

    store = open_store(path)                      # StoreError: one line for a person
    visit = visits.open_visit(store, cuff, source, at)
    visits.learn_value(store, visit, uuid, octets, at, round_trip_s)
                                       # also learn_clock_set, learn_handles, learn_bond, learn_name
    added = journal.append(store, cuff=…, characteristic=…, value=…, arrived_at=…, source=…, visit=visit,
                           encrypted=…, mark=…)   # on disk when it returns
    outcome = intake.interpret(store, added.payload)
    visits.close_visit(store, visit, at, outcome); intake.settle(store, visit)
    intake.catch_up(store)             # at start: what a crash left between commit and interpretation
    for reading in readings.select(store, Selection(person="Ada", last=20)): …
    conditions.tell(store, "adapter", "switched off", at); conditions.current(store)
    journal.troubles(store), journal.counts(store)
    upkeep.integrity(store), upkeep.checkpoint(store), upkeep.backup_to(store, path)

One Store belongs to one thread; any number of processes may have the same file open.
"""

from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.opening import open_store
from collector.store.values import Basis, Reading, Selection

__all__ = ["Basis", "Reading", "Selection", "Store", "StoreError", "open_store"]
