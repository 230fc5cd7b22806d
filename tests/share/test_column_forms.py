"""One declaration of a reading: rows, JSON Schema, Parquet and the documents follow from it."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType

import pytest

from collector.service.notices.channels import NOTICE_SCHEMA, message
from collector.service.notices.notice import Notice
from collector.share.export.column_forms import DERIVED, FORMS, READING, TAKEN_LOCAL
from collector.share.export.json_schema import VERSION, schema
from collector.share.export.rows import json_rows
from collector.store.columns import Column, Kind
from collector.store.values import Basis, Reading

Make = Callable[..., Reading]


@pytest.fixture(scope="module")
def jsonschema() -> ModuleType:
    """With its formats slow to load, so not while tests are collected: every worker collects every file."""
    import jsonschema

    return jsonschema


def described(column: Column, where: str) -> str:
    unit = f" ({column.unit})" if column.unit else ""
    return f"| `{column.name}` | {column.kind}{unit} | {column.meaning} | {where} |"


def test_the_documents_table_is_the_declaration() -> None:
    rows = [described(one, "all") for one in READING]
    rows += [described(one, "CSV, Parquet" if one == TAKEN_LOCAL else "Parquet") for one in DERIVED]
    documented = (Path(__file__).parents[2] / "docs/exchange.md").read_text("utf-8")
    assert "\n".join(rows) in documented, "the table should be:\n" + "\n".join(rows)


def test_every_kind_can_be_written() -> None:
    assert set(FORMS) == set(Kind)


def test_a_row_of_ndjson_is_as_the_schema_says(jsonschema: ModuleType, reading: Make) -> None:
    whole = schema({"notice": NOTICE_SCHEMA})
    jsonschema.Draft202012Validator.check_schema(whole)
    validator = jsonschema.Draft202012Validator(whole, format_checker=jsonschema.FormatChecker())
    for one in (reading(), reading(slot=None, systolic=None, stamp=None, person=None, taken_basis=Basis.HAND)):
        validator.validate(json.loads(json_rows([one])[0]))
    wrong = json.loads(json_rows([reading()])[0])
    for name, value in (("systolic", "128"), ("taken_basis", "guessed"), ("marks", "failed"), ("cuff", None)):
        with pytest.raises(jsonschema.ValidationError):
            validator.validate({**wrong, name: value})
    assert whole["$id"].endswith(f"/{VERSION}")


def test_a_notice_is_as_the_schema_says(jsonschema: ModuleType) -> None:
    validator = jsonschema.Draft202012Validator(NOTICE_SCHEMA)
    notice = Notice(
        "battery", "C0:FF:EE:00:00:01", "its battery is at 5 %", "new ones", "Ada's is at 5 %", {"person": "Ada"}
    )
    for personal in (False, True):
        validator.validate(message(notice, datetime(2031, 3, 4, tzinfo=UTC), personal))
    with pytest.raises(jsonschema.ValidationError):
        validator.validate({"event": "begins", "topic": "battery", "subject": "", "at": "2031-03-04"})
