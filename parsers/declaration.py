"""A format declared once in construct, read through a `struct` derived from that declaration.

construct takes some forty microseconds for a measurement record, a plain `struct` two. So for each
value of the flags the formats of the declared fields that are present are joined into one
`struct.Struct`. There is no second layout to keep in step: the declaration is the only truth, it
builds every value, and a property test holds its own parse against the derived one.

Declarations may hold integers, fixed `Bytes`, nested `Struct`s of these, `If`s that look at the
first field `flags` only, and a last `GreedyBytes`. All are little-endian, as GATT is.
"""

import struct
from collections.abc import Callable, Iterator, Mapping
from operator import itemgetter
from typing import Any

import construct

from parsers.errors import ParseError

Field = tuple[str, str | None]  # name in words, struct code or None when absent


class FieldPlan:
    """How to read one format for one value of its flags."""

    def __init__(self, fields: list[Field]) -> None:
        present = [(name, code) for name, code in fields if code]
        codes = struct.Struct("<" + "".join(code for _, code in present))
        self.unpack: Callable[[bytes], tuple[Any, ...]] = codes.unpack_from
        self.size = codes.size
        self._spans: list[tuple[str, int, int]] = []
        start = 0
        for name, code in present:
            end = start + struct.calcsize("<" + code)
            self._spans.append((name, start, end))
            start = end
        # After what was unpacked come the trailing octets and a None, which stands for every absent field.
        places = {name: place for place, (name, _) in enumerate(present)}
        picks = [places.get(name, len(present) + 1) for name, _ in fields]
        self.pick: Callable[[tuple[Any, ...]], tuple[Any, ...]] = itemgetter(*picks, len(present))

    def cut(self, length: int) -> ParseError:
        """Names the field that a value of `length` octets cuts off."""
        for name, start, end in self._spans:
            if end > length:
                takes = f"octet {start}" if end - start == 1 else f"octets {start} to {end - 1}"
                return ParseError(name, length, f"cut off at octet {length}, the field takes {takes}")
        raise AssertionError("a value that is long enough was called cut")


class Layout:
    """Reads and builds the values of one declared format."""

    def __init__(self, declaration: construct.Struct) -> None:
        self.declaration = declaration
        first, *_ = declaration.subcons
        self._by_flags = any(isinstance(sub.subcon, construct.IfThenElse) for sub in declaration.subcons)
        assert not self._by_flags or (first.name == "flags" and first.sizeof() == 1)
        self._plans: dict[int, FieldPlan] = {}

    def plan(self, value: bytes) -> FieldPlan:
        key = value[0] if self._by_flags and value else 0
        found = self._plans.get(key)
        if found is None:
            found = self._plans[key] = FieldPlan(list(_fields(self.declaration, construct.Container(flags=key))))
        return found

    def read(self, value: bytes) -> tuple[Any, ...]:
        """The fields in declared order, nested ones flattened, absent ones None, then the octets left over.

        Raises ParseError when the value is shorter than its flags say.
        """
        plan = self.plan(value)
        size = plan.size
        if len(value) < size:
            raise plan.cut(len(value))
        return plan.pick((*plan.unpack(value), bytes(value[size:]), None))

    def build(self, fields: Mapping[str, Any], trailing: bytes = b"") -> bytes:
        """The octets of a value. Raises ValueError when a number does not fit its field."""
        try:
            return bytes(self.declaration.build(dict(fields))) + trailing
        except (construct.ConstructError, KeyError, TypeError, struct.error) as error:
            raise ValueError(f"cannot be built: {' '.join(str(error).split())}") from error


def _fields(declaration: construct.Struct, flags: construct.Container, prefix: str = "") -> Iterator[Field]:
    for named in declaration.subcons:
        name, sub, present = prefix + named.name.replace("_", " "), named.subcon, True
        if isinstance(sub, construct.IfThenElse):
            present, sub = bool(sub.condfunc(flags)), sub.thensubcon
        if isinstance(sub, construct.Struct):
            for inner, code in _fields(sub, flags, f"{name} "):
                yield inner, code if present else None
        elif isinstance(sub, construct.Bytes):
            yield name, f"{sub.length}s" if present else None
        else:
            assert sub.fmtstr[0] == "<", f"{name} is not little-endian"
            yield name, sub.fmtstr[1:] if present else None
