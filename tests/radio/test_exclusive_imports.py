"""Bumble takes most of a second to import: naming the radios must not cost that."""

import subprocess
import sys


def test_naming_the_radios_imports_no_host_stack() -> None:
    code = ("import sys, collector.radio.exclusive, collector.radio.virtual, collector.radio.visit; "
            "sys.exit(any(name.split('.')[0] in ('bumble', 'bleak') for name in sys.modules))")  # fmt: skip
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
