"""`quietcuff page …`: invitations, devices, and the page as a process."""

import contextlib
import os
import re
import shutil
import signal
import ssl
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from station_page import Serving
from typer.testing import Result

from collector.page.certificate import fingerprint, own_certificate, read
from collector.page.start import hosts
from collector.service.config import parse
from collector.service.config.settings import PageSettings

Run = Callable[..., Result]


def test_a_device_is_invited_listed_and_shut_out(
    quietcuff: Run, household: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = ("--store", str(household))
    quietcuff(*store, "person", "add", "mira")
    invited = quietcuff(*store, "page", "invite", "mira", "--role", "keeper")
    assert invited.exit_code == 0
    assert invited.stdout.startswith("http://127.0.0.1:8140/in/")
    assert "for 15 minutes" in invited.stderr
    token = invited.stdout.strip().rpartition("/")[2]
    with Serving(household) as page:
        form = urllib.request.Request(f"{page.base}/in/{token}", b"name=my+phone", {"origin": page.base})
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        with opener.open(form) as answer:
            assert "Today" in answer.read().decode() or answer.status == 200
        monkeypatch.setenv("QUIETCUFF_STATION_ZONE", "Pacific/Kiritimati")  # UTC+14: never the machine's day
        listed = quietcuff(*store, "page", "devices")
        assert f"{datetime.now(UTC) + timedelta(hours=14):%Y-%m-%d %H:}" in listed.stdout
        assert "keeper" in listed.stdout
        assert "my phone" in listed.stdout
        assert quietcuff(*store, "page", "revoke", "1").exit_code == 0
        with pytest.raises(urllib.error.HTTPError, match="401"):
            opener.open(f"{page.base}/")


def test_who_is_not_there_is_told(quietcuff: Run, household: Path) -> None:
    told = quietcuff("--store", str(household), "page", "invite", "nobody-here")
    assert told.exit_code == 1
    assert "nobody-here" in told.stderr
    told = quietcuff("--store", str(household), "page", "revoke", "7")
    assert told.exit_code == 1
    assert "no device 7" in told.stderr
    told = quietcuff("--store", str(household), "page", "revoke", "9" * 20)
    assert (told.exit_code, told.stderr.count("\n")) == (2, 1)


def test_on_the_network_it_speaks_tls_with_its_own_certificate_and_shows_the_fingerprint(
    quietcuff: Run, household: Path, tmp_path: Path
) -> None:
    config = tmp_path / "page.toml"
    config.write_text('[page]\naddress = "0.0.0.0"\nname = "station.test"\n', "utf-8")
    quietcuff("--store", str(household), "person", "add", "mira")
    invited = quietcuff("--store", str(household), "--config", str(config), "page", "invite", "mira")
    assert invited.stdout.startswith("https://station.test:8140/in/")
    own = household.parent / "page" / "certificate.pem"
    assert fingerprint(read(own)) in invited.stderr
    assert (own.parent / "key.pem").stat().st_mode & 0o777 == 0o600
    trusting = ssl.create_default_context(cafile=str(own))
    with Serving(household, config=config, scheme="https") as page:
        with pytest.raises(urllib.error.HTTPError, match="401"):
            urllib.request.urlopen(f"{page.base}/", context=trusting)
        with pytest.raises(ConnectionError):
            urllib.request.urlopen(f"http://127.0.0.1:{page.port}/")


def test_a_certificate_is_renewed_with_its_key_for_new_names(tmp_path: Path) -> None:
    first = own_certificate(tmp_path, ("station.test",))
    key = first.key.read_bytes()
    assert own_certificate(tmp_path, ("station.test",)).fingerprint == first.fingerprint
    second = own_certificate(tmp_path, ("station.test", "192.0.2.7"))
    assert second.fingerprint != first.fingerprint
    assert second.key.read_bytes() == key


def test_a_program_that_sees_fewer_addresses_keeps_the_certificate_whose_fingerprint_was_shown(tmp_path: Path) -> None:
    """The unit has no network of its own: it sees none of the addresses that `page invite` put into it."""
    shown_by_invite = own_certificate(tmp_path, ("station.test", "192.0.2.7"))
    assert own_certificate(tmp_path, ("station.test",)).fingerprint == shown_by_invite.fingerprint


def test_a_certificate_made_by_a_clock_that_ran_ahead_is_made_anew(tmp_path: Path) -> None:
    """Seen: one of 2036 was kept, and no browser took it for ten years. What a board shows before its clock is set
    changes none: each phone would have to be shown the new fingerprint."""
    ahead = own_certificate(tmp_path, ("station.test",), datetime(2036, 2, 7, tzinfo=UTC))
    now = datetime(2026, 11, 28, tzinfo=UTC)
    made = own_certificate(tmp_path, ("station.test",), now)
    assert made.fingerprint != ahead.fingerprint
    unset = datetime(1970, 1, 1, 0, 5, tzinfo=UTC)
    assert own_certificate(tmp_path, ("station.test",), unset).fingerprint == made.fingerprint
    assert own_certificate(tmp_path, ("station.test",), now).fingerprint == made.fingerprint


def test_a_certificate_renewed_while_the_page_runs_holds_from_the_next_connection_on(
    household: Path, tmp_path: Path
) -> None:
    """Of the admin's own files, put in place by whatever renews them; one that is half written changes nothing."""
    first, second = (own_certificate(tmp_path / name, ("station.test",)) for name in ("first", "second"))
    certificate, key = tmp_path / "admin.pem", tmp_path / "admin.key"
    for to, source in ((certificate, first.certificate), (key, first.key)):
        shutil.copy(source, to)
    config = tmp_path / "page.toml"
    config.write_text(
        f'[page]\naddress = "0.0.0.0"\ncertificate = "{certificate}"\ncertificate_key = "{key}"\n', "utf-8"
    )
    soon = "from collector.page import serving\nserving.CERTIFICATE_TICKS = 2"
    with Serving(household, config=config, scheme="https", hurry=soon) as page:
        assert shown(page.port) == first.fingerprint
        certificate.write_text("half writ")
        for to, source in ((key, second.key), (certificate, second.certificate)):
            shutil.copy(source, tmp_path / "new")
            os.replace(tmp_path / "new", to)
        give_up = time.monotonic() + 60
        while shown(page.port) != second.fingerprint and time.monotonic() < give_up:
            time.sleep(0.2)
        assert shown(page.port) == second.fingerprint


def shown(port: int) -> str:
    pem = ssl.get_server_certificate(("127.0.0.1", port))
    return fingerprint(x509.load_pem_x509_certificate(pem.encode()))


def test_the_log_tells_of_nobody(quietcuff: Run, household: Path, tmp_path: Path) -> None:
    """Whatever is asked, wrongly or rightly."""
    quietcuff("--store", str(household), "person", "add", "mira")
    invited = quietcuff("--store", str(household), "page", "invite", "mira", "--role", "keeper")
    token, log = invited.stdout.strip().rpartition("/")[2], tmp_path / "log"
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    with Serving(household, log=log) as page:
        ours = {"origin": page.base}
        opener.open(urllib.request.Request(f"{page.base}/in/{token}", b"name=mira's+phone", ours)).close()
        for path, data in (
            ("/mira?name=mira", None),
            ("/people", None),
            ("/p/1/notes", b"day=x&text=mira+fell&kind=other"),
            ("/p/1/notes", b"day=2031-03-04&text=mira+fell&kind=other"),
            ("/p/99/today", None),
        ):
            with contextlib.suppress(urllib.error.HTTPError):
                opener.open(urllib.request.Request(page.base + path, data, ours)).close()
    assert log.read_text() == f"the page answers on {page.base}\n"


def test_the_demo_opens_the_page_with_a_practice_cuff_in_one_command(tmp_path: Path) -> None:
    page = Serving(tmp_path / "unused.db")  # for its free port
    command = [sys.executable, "-m", "collector.cli.main", "--store", str(tmp_path / "demo.db"), "demo", "--page"]
    environment = {**os.environ, "QUIETCUFF_PAGE_PORT": str(page.port)}
    with subprocess.Popen(
        command, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, env=environment
    ) as demo:
        assert demo.stderr
        link = next(found[0] for line in demo.stderr if (found := re.search(r"http://\S+/in/\S+", line)))
        next(line for line in demo.stderr if "the page answers" in line)
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        ours = {"origin": page.base}
        try:
            with opener.open(urllib.request.Request(link, b"name=phone", ours)) as answer:
                assert "Last reading" in answer.read().decode()
        finally:
            demo.send_signal(signal.SIGINT)
            demo.stderr.read()


def test_page_run_becomes_the_small_program(household: Path) -> None:
    """Nothing of the command line's library stays in memory as long as the page runs."""
    with Serving(household) as page:
        command = Path(f"/proc/{page.process.pid}/cmdline").read_bytes().split(b"\0")
        held = Path(f"/proc/{page.process.pid}/maps").read_text()
    assert b"collector.page.main" in command
    assert b"--store" not in command
    assert "reportlab" not in held


def test_hosts_are_those_configured_and_this_machines(tmp_path: Path) -> None:
    assert hosts(PageSettings()) == ("localhost", "127.0.0.1", "[::1]", "127.0.0.1")
    assert "station.test" in hosts(PageSettings(name="station.test"))
    assert "[fe80::1]" in hosts(PageSettings(address="fe80::1"))
    assert parse("[page]\nport = 9000\n").page.port == 9000


def test_a_port_in_use_is_told_in_one_line(household: Path) -> None:
    with Serving(household) as page:
        command = [sys.executable, "-m", "collector.cli.main", "--store", str(household), "page", "run"]
        told = subprocess.run(
            [*command, "--port", str(page.port)], capture_output=True, text=True, timeout=30, env=dict(os.environ)
        )
    assert told.returncode == 1
    assert "cannot listen there" in told.stderr
    assert "Traceback" not in told.stderr
