"""The service ends at once when told to, whatever a receiver is at: the unit's own program, a server that drips."""

import os
import signal
import subprocess
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from relaying import household, write_down

pytestmark = pytest.mark.system

WITHIN_S = 10.0
"""Twice what is promised, for a machine that is busy with other tests."""


def test_a_receiver_that_drips_does_not_keep_the_service(tmp_path: Path) -> None:
    asked, over = threading.Event(), threading.Event()

    class Drips(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked.set()
            self.send_response(200)
            self.end_headers()
            while not over.wait(1.0):
                try:
                    self.wfile.write(b" ")
                except OSError:
                    return

        def log_message(self, *_: object) -> None:
            pass

    with household(tmp_path, "mira") as store:
        write_down(store, "mira", 0)
        path = store.path
    server = ThreadingHTTPServer(("127.0.0.1", 0), Drips)
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    config = tmp_path / "q.toml"
    config.write_text(
        '[radio]\nkind = "virtual"\n[backup]\ndaily = false\n'
        f'[relay.slow]\nkind = "fhir"\nurl = "http://127.0.0.1:{server.server_port}"\ntimeout_s = 600\n'
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "collector.service.listen.main", "--store", path, "--config", config],
        env={**os.environ, "HOME": str(tmp_path)},
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert asked.wait(120), "the relay sends once a minute"
        began = time.monotonic()
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=60)
        took = time.monotonic() - began
    finally:
        process.kill()
        over.set()
        server.shutdown()
        server.server_close()
    print(f"ended within {took:.1f} s")
    assert process.returncode == 0, said
    assert "stopped" in said
    assert took < WITHIN_S
