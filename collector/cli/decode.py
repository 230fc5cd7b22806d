"""`quietcuff decode`: a payload in words, for tinkerers."""

import string
import sys
from collections.abc import Iterable, Iterator
from functools import partial
from typing import Annotated, Any

import typer

from collector.cli.common.command import COULD_NOT, DONE, Usage, new_app, options_of, out, say, tell
from collector.cli.common.output import out_json
from collector.share.text.cautions import caution, very_high_pressure
from collector.share.text.layout import counted
from parsers import characteristics
from parsers.characteristics import find, names
from parsers.errors import ParseError
from parsers.intermediate import CuffPressure
from parsers.json_values import as_json
from parsers.measurement import Measurement
from parsers.pressure import Unit
from parsers.record import Gap, Reassembler
from parsers.status import Feature, assessed, parse_feature
from parsers.uuids import Uuid
from parsers.words import describe

app = new_app()

_IGNORED = str.maketrans("", "", " \t:-,_")
_HEX = frozenset(string.hexdigits)


@app.command()
def decode(
    ctx: typer.Context,
    payloads: Annotated[
        list[str] | None,
        typer.Argument(metavar="[HEX…|-]", help="Payloads in hex; - or nothing reads lines from stdin."),
    ] = None,
    as_: Annotated[
        str, typer.Option("--as", metavar="UUID", help="What it is: a characteristic's number or name.")
    ] = "2a35",
    feature: Annotated[
        str | None, typer.Option(metavar="HEX", help="The cuff's feature value (2A49): tells 'no' from 'not assessed'.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a payload.")] = False,
) -> int:
    """Put a cuff's payload into words.

    Octets may be run together or stand apart with spaces, colons or dashes. On stdin each line is one
    payload; empty lines and lines that begin with # are passed over. A payload that cannot be read is told,
    the others are still decoded, and the exit code is 1. Segments of stored records (2b36) are also put
    together.

    \b
    Examples (invented readings):
      quietcuff decode 06 80 00 51 00 61 00 ef 07 03 04 07 0c 00 40 00
      quietcuff decode 1e8000510061:00ef07030407:0c00400001:0400 --feature 2500
      quietcuff decode --as 2a49 2500
      quietcuff decode --as 'battery level' 5f --json
    """
    uuid = find(as_)
    if uuid is None:
        known = ", ".join(f"{number:04x} {name}" for number, name in sorted(names().items()))
        raise Usage(f"--as {as_!r} is not known; known are {known}")
    decoder = _Decoder(uuid, _feature(feature), as_json)
    results = []
    for place, text in _given(payloads or ["-"]):
        results.append(decoder.show(place, text))
        sys.stdout.flush()  # whoever feeds us line by line hears us line by line
    if not results:
        say("nothing to decode: no payload was given")
    if decoder.high:
        tell(caution(options_of(ctx).config.station.emergency_number))
    return DONE if all(results) else COULD_NOT


def _given(payloads: list[str]) -> Iterator[tuple[str, str]]:
    """Where each payload stands, and its hex."""
    if payloads == ["-"]:
        if sys.stdin.isatty():
            say("payloads in hex, one a line; Ctrl-D ends")
        yield from _lines(sys.stdin)
    elif len(payloads) > 1 and all(len(text) == 2 for text in payloads):
        yield "the payload", "".join(payloads)  # octets that the shell took apart
    else:
        for number, text in enumerate(payloads, 1):
            yield "the payload" if len(payloads) == 1 else f"payload {number}", text


def _lines(lines: Iterable[str]) -> Iterator[tuple[str, str]]:
    for number, line in enumerate(lines, 1):
        if (text := line.strip()) and not text.startswith("#"):
            yield f"line {number}", text


def _octets(text: str) -> bytes:
    """The octets of a payload in hex. Raises ValueError in words."""
    digits = text.lower().removeprefix("0x").translate(_IGNORED)
    for char in digits:
        if char not in _HEX:
            raise ValueError(f"{char!r} is not a hex digit")
    if len(digits) % 2:
        raise ValueError(f"{len(digits)} hex digits; an octet has two, so one is missing or too many")
    return bytes.fromhex(digits)


def _feature(text: str | None) -> Feature | None:
    if text is None:
        return None
    try:
        return parse_feature(_octets(text))
    except ValueError as error:
        raise Usage(f"--feature {text!r}: {error}") from None


class _Decoder:
    """Shows one payload after the other."""

    def __init__(self, uuid: int, feature: Feature | None, as_json: bool) -> None:
        self.uuid = uuid
        self.feature = feature
        self.as_json = as_json
        self.shown = 0
        self.high = False  # was any of it very high?
        self.reassembler: Reassembler | None = Reassembler() if uuid == Uuid.BLOOD_PRESSURE_RECORD else None

    def show(self, place: str, text: str) -> bool:
        """Decode and show; says whether that went well."""
        try:
            value = _octets(text)
            content = characteristics.decode(self.uuid, value)
        except ValueError as error:  # ParseError is one
            reason = f"{error} (octet {error.octet})" if isinstance(error, ParseError) else str(error)
            say(f"quietcuff: {place} ({_short(text)}) as {self.uuid:04x}: {reason}")
            if self.as_json:
                self._json({"uuid": f"{self.uuid:04x}", "payload": text, "error": str(error)})
            return False
        self._show(self.uuid, value, content)
        completed = self.reassembler.feed(value) if self.reassembler else ()
        return all(list(map(partial(self._record, place), completed)))

    def _record(self, place: str, whole: Any) -> bool:
        """What a segment completed or broke."""
        if isinstance(whole, Gap):
            say(f"quietcuff: {place}: record lost: {whole.reason}")
            return False
        try:
            self._show(whole.uuid, whole.value, characteristics.decode(whole.uuid, whole.value), whole)
        except ParseError as error:
            say(f"quietcuff: {place}: the record's content as {whole.uuid:04x}: {error}")
            return False
        return True

    def _show(self, uuid: int, value: bytes, content: Any, record: Any = None) -> None:
        self.high = self.high or _very_high(content)
        if self.as_json:
            line = {"uuid": f"{uuid:04x}", "payload": value.hex(), **as_json(content)}
            if record is not None:
                line["record"] = {"sequence": record.sequence, "crc_ok": record.crc_ok}
            if self.feature is not None and (checks := _checks(content, self.feature)) is not None:
                line["checks"] = checks
            self._json(line)
            return
        if self.shown:
            out("")
        self.shown += 1
        size = counted(len(value), "octet")
        whole = "" if record is None else f"whole record {record.sequence}: "
        out(f"{whole}{names().get(uuid, 'value')} 0x{uuid:04X}, {size}")
        pairs = describe(content, self.feature)
        width = max(len(label) for label, _ in pairs)
        for label, words in pairs:
            out(f"  {label:{width}}  {words}")

    def _json(self, line: dict[str, Any]) -> None:
        out_json(line)


def _checks(content: Any, feature: Feature) -> dict[str, str] | None:
    return assessed(content.status, feature) if isinstance(content, Measurement | CuffPressure) else None


def _very_high(content: Any) -> bool:
    if not isinstance(content, Measurement):
        return False
    systolic, diastolic = (None if one is None else one.value for one in (content.systolic, content.diastolic))
    return very_high_pressure(systolic, diastolic, "kPa" if content.unit is Unit.KPA else "mmHg")


def _short(text: str) -> str:
    return repr(text if len(text) <= 24 else f"{text[:20]}…")
