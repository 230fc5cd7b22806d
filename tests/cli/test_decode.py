"""`quietcuff decode`: hex in any dress, words or JSON, and a bad payload does not hide the good ones."""

import json
import subprocess
import sys
from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import Result

from collector.numbers import words
from parsers.record import build_segments

Run = Callable[..., Result]

FULL = "1e8000510061 00ef07030407 0c00400001 0400".replace(" ", "")
"""Invented: 128/81 mmHg, mean 97, 4 March 2031 07:12, pulse 64, slot 1, irregular pulse."""


def test_a_payload_in_words(quietcuff: Run) -> None:
    result = quietcuff("decode", FULL, "--feature", "2500")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.splitlines() == [
        "blood pressure measurement 0x2A35, 19 octets",
        "  systolic                128 mmHg",
        "  diastolic               81 mmHg",
        "  mean arterial pressure  97 mmHg",
        "  time stamp              2031-03-04 07:12:00",
        "  pulse                   64 beats/min",
        "  slot (User ID)          1",
        "  body movement           no",
        "  cuff too loose          not assessed",
        "  irregular pulse         yes",
        "  pulse out of range      not assessed",
        "  improper position       not assessed",
    ]


@pytest.mark.parametrize(
    "args",
    [
        [FULL],
        [FULL.upper()],
        ["0x" + FULL],
        [bytes.fromhex(FULL).hex(" ")],
        [bytes.fromhex(FULL).hex(":")],
        [bytes.fromhex(FULL).hex("-")],
        bytes.fromhex(FULL).hex(" ").split(),
    ],
)
def test_hex_in_any_dress(quietcuff: Run, args: list[str]) -> None:
    assert quietcuff("decode", *args).stdout.splitlines()[1] == "  systolic                128 mmHg"


def test_json_has_the_agreed_names(quietcuff: Run) -> None:
    found = json.loads(quietcuff("decode", FULL, "--json", "--feature", "2500").stdout)
    assert found["uuid"] == "2a35"
    assert found["payload"] == FULL
    assert (
        found.items() >= {"systolic": 128, "diastolic": 81, "mean": 97, "unit": "mmHg", "pulse": 64, "slot": 1}.items()
    )
    assert found["status"] == ["irregular pulse"]
    assert found["checks"]["cuff too loose"] == "not assessed"


def test_lines_from_stdin_and_a_bad_one_among_them(quietcuff: Run) -> None:
    lines = f"# from the kitchen\n{FULL}\n\n1e80\nzz\n123\n{FULL}\n"
    result = quietcuff("decode", "-", "--json", input=lines)
    assert result.exit_code == 1
    assert [("error" in json.loads(line)) for line in result.stdout.splitlines()] == [False, True, True, True, False]
    told = result.stderr.splitlines()
    assert [line.split(" (")[0] for line in told] == [f"quietcuff: line {number}" for number in (4, 5, 6)]
    assert "octet 2" in told[0]
    assert told[1] == "quietcuff: line 5 ('zz') as 2a35: 'z' is not a hex digit"
    assert "3 hex digits" in told[2]


def test_other_characteristics_by_number_and_name(quietcuff: Run) -> None:
    assert "looks out for" in quietcuff("decode", "--as", "0x2A49", "2500").stdout
    assert "95 %" in quietcuff("decode", "--as", "battery level", "5f").stdout
    wrong = quietcuff("decode", "--as", "beef", "00")
    assert wrong.exit_code == 2
    assert wrong.stderr.startswith("quietcuff: --as 'beef' is not known; known are ")
    assert quietcuff("decode", FULL, "--feature", "2x").exit_code == 2


def test_segments_of_a_stored_record_are_put_together(quietcuff: Run) -> None:
    segments = build_segments(7, 0x2A35, bytes.fromhex(FULL), size=18)
    assert len(segments) > 1
    result = quietcuff("decode", "--as", "2b36", input="\n".join(part.hex() for part in segments))
    assert result.exit_code == 0
    assert "whole record 7: blood pressure measurement 0x2A35, 19 octets" in result.stdout
    assert "128 mmHg" in result.stdout
    broken = quietcuff("decode", "--as", "2b36", input=segments[-1].hex())
    assert broken.exit_code == 1
    assert "record lost" in broken.stderr


@given(st.binary(max_size=24), st.sampled_from([0x2A35, 0x2A36, 0x2A49, 0x2B34, 0x2B35, 0x2B36]))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
def test_whatever_the_octets_no_traceback_and_nothing_that_steers(quietcuff: Run, value: bytes, uuid: int) -> None:
    for extra in ([], ["--json"]):
        result = quietcuff("decode", "--as", f"{uuid:04x}", *extra, input=value.hex() + "\n")
        assert result.exit_code in (0, 1)
        assert "unforeseen" not in result.stderr
        assert all(char.isprintable() or char == "\n" for char in result.output)


def test_a_real_pipe(quietcuff: Run) -> None:
    code = "from collector.cli.main import run; run()"
    done = subprocess.run(
        [sys.executable, "-c", code, "decode"], input=FULL, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "128 mmHg" in done.stdout


@pytest.mark.parametrize(
    ("payload", "high"),
    [
        ("00780050008200", False),
        ("00b40050008200", True),
        ("00b30077008200", False),
        ("0078007800ff07", True),
        ("01f0f0a0f0b0f0", True),  # 24.0/16.0 kPa: 180.01 mmHg
        ("01eff09ff0b0f0", False),  # 23.9/15.9 kPa: 179.3/119.3 mmHg
    ],
)
def test_a_very_high_value_brings_the_calm_words(
    quietcuff: Run, monkeypatch: pytest.MonkeyPatch, payload: str, high: bool
) -> None:
    monkeypatch.setenv("QUIETCUFF_STATION_EMERGENCY_NUMBER", "112")
    result = quietcuff("decode", payload)
    assert (words.signs("112") in result.stderr) is high
    assert ("Change no medicine on your own" in result.stderr) is high
