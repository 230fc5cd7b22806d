"""Bumble takes most of a second to import: what is asked about a radio without one must not cost that."""

import subprocess
import sys


def test_asking_about_radios_imports_no_host_stack() -> None:
    code = ("import sys, collector.radio.exclusive.rights, collector.radio.visit, collector.service.listen.assemble; "
            "sys.exit(any(name.split('.')[0] in ('bumble', 'bleak') for name in sys.modules))")  # fmt: skip
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
