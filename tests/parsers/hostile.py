"""What fuzzing does with one input, and the inputs it starts from."""

import json
import random
from collections.abc import Iterator
from pathlib import Path

from parsers.characteristics import FORMATS, Decoded, build, decode
from parsers.errors import ParseError
from parsers.json_values import as_json
from parsers.record import Gap, Reassembler, Record
from parsers.status import Feature
from parsers.text import LIMIT, printable
from parsers.words import describe

FIXTURES = Path(__file__).parents[2] / "fixtures"
CORPUS = FIXTURES / "corpus" / "parsers.txt"
KINDS = sorted(FORMATS)
LINK, TEXT = len(KINDS), len(KINDS) + 1  # a link's worth of segments; a name
WORDS = 0x80  # in the first octet: put the value into words and JSON, too


def check(data: bytes) -> None:
    """One input: the first octet chooses what reads the rest. Raises what is wrong."""
    if not data:
        return
    kind, value = (data[0] & 0x7F) % (len(KINDS) + 2), data[1:]
    if kind == LINK:
        check_link(value)
    elif kind == TEXT:
        check_shown(printable(value), LIMIT)
    else:
        check_value(KINDS[kind], value, words=bool(data[0] & WORDS))


def read(uuid: int, value: bytes) -> Decoded | ParseError:
    try:
        return decode(uuid, value)
    except ParseError as error:
        return error


def check_value(uuid: int, value: bytes, words: bool) -> None:
    content = read(uuid, value)
    if isinstance(content, ParseError):
        assert 0 <= content.octet <= len(value)
        check_shown(str(content), 200)
        return
    if not isinstance(content, str):
        assert build(uuid, content) == value, "what was read is not what is built"
    if words:
        for label, said in describe(content, Feature(len(value))):
            check_shown(label + said, 200 + 3 * len(value))
        json.dumps(as_json(content), allow_nan=False)


def check_link(stream: bytes) -> None:
    """A first octet for the feature bit, then segments, each behind its length."""
    crc = {0: None, 1: True}.get(stream[0] % 3, False) if stream else None
    reassembler, at, events = Reassembler(crc), 1, 0
    while at < len(stream):
        size = stream[at] % 32
        for event in reassembler.feed(stream[at + 1 : at + 1 + size]):
            assert isinstance(event, Record | Gap)
            describe(event)
            as_json(event)
            events += 1
        at += 1 + size
    assert events + len(reassembler.end()) <= 2 * len(stream) + 1


def check_shown(text: str, limit: int) -> None:
    assert text.isprintable(), "could act on a terminal"
    assert len(text) <= limit, "is not bounded"


def seeds() -> list[bytes]:
    """Published vectors, and what earlier runs found to reach ground of its own."""
    found = []
    for file in sorted((FIXTURES / "vectors").glob("*.json")):
        for vector in json.loads(file.read_text("utf-8"))["vectors"]:
            if "segments" in vector:
                segments = [bytes.fromhex(segment) for segment in vector["segments"]]
                stream = b"".join(bytes([len(segment)]) + segment for segment in segments)
                found += [bytes([LINK, crc]) + stream for crc in range(3)]
            elif "hex" in vector and file.stem not in ("crc", "segments"):
                kind = KINDS.index(int(vector["uuid"], 16))
                found += [bytes([kind | mode]) + bytes.fromhex(vector["hex"]) for mode in (0, WORDS)]
    return found + kept()


def kept() -> list[bytes]:
    lines = CORPUS.read_text("utf-8").splitlines() if CORPUS.exists() else []
    return [bytes.fromhex(line) for line in lines if line and not line.startswith("#")]


def inputs(count: int, seed: int = 1) -> Iterator[bytes]:
    """`count` inputs, half of them random octets, half seeds with octets changed, cut or added."""
    chance, base = random.Random(seed), seeds()
    for place in range(count):
        if place % 2:
            yield chance.randbytes(1 + int(chance.random() * 28))
            continue
        damaged = bytearray(chance.choice(base))
        for _ in range(1 + place % 3):
            damaged[int(chance.random() * len(damaged))] = int(chance.random() * 256)
        end = 1 + int(chance.random() * 2 * len(damaged))
        yield bytes(damaged[:end]) + chance.randbytes(place % 5 // 4)
