"""An ordinary reading of an invented household, for tests that change a field or two of it."""

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

from collector.store.values import Basis, Reading


def one_reading(**changes: Any) -> Reading:
    """The reading, but for what is given."""
    values: dict[str, Any] = {
        "reading_id": "r1",
        "cuff": "C0:FF:EE:00:00:01",
        "slot": 1,
        "person": "mira",
        "systolic": Decimal("128"),
        "diastolic": Decimal("81"),
        "mean": Decimal("97"),
        "unit": "mmHg",
        "pulse": Decimal("64"),
        "taken_at": datetime(2031, 3, 4, 7, 12, 30, tzinfo=timezone(timedelta(hours=1))),
        "taken_basis": Basis.CORRECTED,
        "taken_uncertainty_s": 1.0,
        "received_at": datetime(2031, 3, 4, 6, 13, 5, 123456, tzinfo=UTC),
        "status": (),
        "status_raw": 0,
        "features_known": True,
        "assessed": ("body movement",),
        "stamp": "2031-03-04T07:11:58",
        "marks": (),
        "sightings": 1,
        "payload": "1e80",
        "note": None,
    }
    return Reading(**{**values, **changes})
