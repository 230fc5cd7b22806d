"""What is said of every kept input, in words and in JSON, is what was said before: a change of it shows in review.

After a wanted change `PYTHONPATH=. python tests/parsers/test_told.py` writes fixtures/corpus/told.jsonl anew.
"""

import json
from pathlib import Path

from parsers.characteristics import FORMATS, decode
from parsers.errors import ParseError
from parsers.json_values import as_json
from parsers.status import Feature
from parsers.words import describe

FIXTURES = Path(__file__).parents[2] / "fixtures"
TOLD = FIXTURES / "corpus" / "told.jsonl"
KINDS = sorted(FORMATS)
ALL_CHECKS = Feature(0x01FF)


def values() -> list[tuple[int, str]]:
    """(characteristic, octets) of the published vectors, and of what fuzzing kept, where the first octet says which."""
    found = set()
    for file in sorted((FIXTURES / "vectors").glob("*.json")):
        for vector in json.loads(file.read_text("utf-8"))["vectors"]:
            if "hex" in vector and isinstance(vector.get("uuid"), str):
                found.add((int(vector["uuid"], 16), vector["hex"].lower()))
    for line in (FIXTURES / "corpus" / "parsers.txt").read_text("utf-8").splitlines():
        if line and not line.startswith("#"):
            kind = (int(line[:2], 16) & 0x7F) % (len(KINDS) + 2)
            if kind < len(KINDS):
                found.add((KINDS[kind], line[2:].lower()))
    return sorted(found)


def told(uuid: int, octets: str) -> str:
    """One line of JSON. Where nothing can be decoded, the reason."""
    said: dict[str, object] = {"uuid": f"{uuid:04x}", "octets": octets}
    try:
        content = decode(uuid, bytes.fromhex(octets))
    except ParseError as error:
        said["error"] = str(error)
    else:
        said |= {"words": describe(content), "with all checks": describe(content, ALL_CHECKS), "json": as_json(content)}
    return json.dumps(said, ensure_ascii=False)


def test_what_was_told_is_told() -> None:
    kept = TOLD.read_text("utf-8").splitlines()
    assert len(kept) > 100
    assert [told(uuid, octets) for uuid, octets in values()] == kept


if __name__ == "__main__":
    TOLD.write_text("".join(told(uuid, octets) + "\n" for uuid, octets in values()), "utf-8")
