"""A system bus of our own, for what wants one and must not have this machine's."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def private_bus(folder: Path) -> Iterator[dict[str, str]]:
    """Yields the environment that leads there. Nobody is on it but who connects, and what folder/services starts."""
    (folder / "services").mkdir()
    config = folder / "bus.conf"
    config.write_text(f"""<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>system</type><listen>unix:path={folder}/bus</listen><auth>EXTERNAL</auth>
<servicedir>{folder}/services</servicedir>
<policy context="default"><allow user="*"/><allow own="*"/><allow send_type="method_call"/>
<allow send_type="method_return"/><allow send_type="error"/><allow send_type="signal"/><allow receive_sender="*"/>
<allow eavesdrop="true"/></policy></busconfig>""")
    bus = subprocess.Popen(
        ["dbus-daemon", f"--config-file={config}", "--nofork", "--print-address"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert bus.stdout
    bus.stdout.readline()
    try:
        yield os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={folder}/bus"}
    finally:
        bus.terminate()
        bus.wait()
        bus.stdout.close()
