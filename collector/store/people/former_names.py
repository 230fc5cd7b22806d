"""What people were called before they were renamed, or turned out to be one with somebody else."""

from collector.store.database import Store
from collector.store.json_columns import from_json
from collector.store.namesakes import CALLED, folded


def former_names(store: Store, person: int, where: str = "main") -> set[str]:
    """What the person (a row of that database) was called before and after renaming, and who they were united with, as
    the history tells."""
    of = f"SELECT detail FROM {where}.audit WHERE person_id = ? AND what IN ('person renamed', 'people united')"
    told = [from_json("audit", "detail", detail) for (detail,) in store.query(of, (person,))]
    names = (change.get(side) for change in told for side in ("from", "to"))
    return {name for name in names if isinstance(name, str) and name}


def called_now(store: Store, former: str) -> list[str]:
    """How everybody is called who once had that name, letter case aside."""
    everybody = store.query(f"SELECT id, {CALLED} FROM person WHERE NOT gone ORDER BY name COLLATE NOCASE, uid")
    return [called for row, called in everybody.fetchall() if folded(former) in map(folded, former_names(store, row))]
