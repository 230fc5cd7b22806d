"""Hand-written logs for the commands' worked cases, and the rule of a survey as a protocol of one's own."""

from collections.abc import Iterable
from pathlib import Path

Row = tuple[str, object, object]
"""Time, systolic, diastolic."""
SURVEY = """
[protocols.survey]
threshold = [140, 90]
min_days = 1
preferred_days = 1
per_session = 3
drop_first_of_session = true
keep_first_if_alone = true
"""


def log(folder: Path, rows: Iterable[Row]) -> str:
    """Written to `folder`; returns its path."""
    path = folder / "log.csv"
    path.write_text("taken_at,systolic,diastolic\n" + "".join(f"{at},{s},{d}\n" for at, s, d in rows))
    return str(path)
