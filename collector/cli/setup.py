"""`quietcuff setup`: the few things that nobody but the household can know, and the service started with them."""

import os
import pwd
import socket
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from tzlocal import get_localzone_name

from collector.cli.common.command import COULD_NOT, Failure, GlobalOptions, new_app, options_of, say
from collector.cli.common.terminal_screen import is_terminal
from collector.service.checks import which_radio
from collector.service.config import Config, ConfigError, usual_file
from collector.service.config.settings import RadioKind
from collector.service.first_setup import Answers, configured, settle_units, usual_target, write

app = new_app()


@app.command()
def setup(
    ctx: typer.Context,
    zone: Annotated[str | None, typer.Option(metavar="ZONE", help="Time zone of the cuffs' wall clock.")] = None,
    people: Annotated[
        list[str] | None, typer.Option("--person", metavar="NAME", help="Who is measured; once for each.")
    ] = None,
    emergency: Annotated[
        str | None, typer.Option("--emergency-number", metavar="NUMBER", help="The local emergency number.")
    ] = None,
    radio: Annotated[
        RadioKind | None, typer.Option(help="bluez shares Bluetooth with other programs; exclusive takes it alone.")
    ] = None,
    page: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="By which name your network reaches the page; 'no': this computer alone."),
    ] = None,
) -> int:
    """Say what only you know: time zone, people, emergency number, radio, page. Then check.

    Asks at a terminal for what no option names; without a terminal only options count, and what they do not name stays.
    As root it writes the service's configuration, has systemd start it, and leaves the store to the service's user.
    Exit codes are those of `quietcuff check`, which comes last.

    \b
    Examples (invented people):
      quietcuff setup
      quietcuff setup --zone Europe/Lisbon --person mira --person anna --emergency-number 112 --radio bluez --page no
    """
    options = options_of(ctx)
    file = options.config_option or usual_file() or usual_target()
    if os.geteuid() == 0 and options.config_option is None:
        file = usual_target()
    answers = Answers(zone, emergency, radio, None if page is None else "" if page == "no" else page)
    named = tuple(people or ())
    if is_terminal():
        answers, named = _ask(answers, named, options)
    try:
        text = configured(file.read_text("utf-8") if file.exists() else "", answers)
        write(file, text)
    except ConfigError as error:
        raise Failure(f"nothing was written: {error}") from None
    except (OSError, UnicodeDecodeError) as error:
        raise Failure(
            f"{file}: {getattr(error, 'strerror', None) or error}; as root this is the service's file"
        ) from None
    say(f"{file} is written")
    owner = _owner(options)
    for name in named:
        _own_command(options, file, owner, "person", "add", name)
    if owner is not None and not Path("/run/systemd/system").is_dir():  # sd_booted(3)
        say("systemd does not run here, so nothing was started")
    elif owner is not None and not settle_units(answers, _told):
        say("systemd did not take it all: `systemctl status quietcuff` says why")
    if answers.page_name:
        say(f"the page: https://{answers.page_name}:8140, once `quietcuff page invite` gave a device its link")
    return _own_command(options, file, owner, "check")


def _ask(given: Answers, people: tuple[str, ...], options: GlobalOptions) -> tuple[Answers, tuple[str, ...]]:
    """At the terminal, for what no option said. Enter takes what is in brackets."""
    zone, number, radio, page = given.zone, given.emergency_number, given.radio, given.page_name
    if zone is None:
        zone = typer.prompt("Time zone", default=get_localzone_name() or "UTC", err=True)
    if not people:
        text = typer.prompt("Who is measured? Names or codes, with commas between", default="", err=True)
        people = tuple(name.strip() for name in text.split(",") if name.strip())
    if number is None:
        number = typer.prompt("Your local emergency number", default="", show_default=False, err=True)
    if radio is None:
        shared = typer.confirm("Does this computer use Bluetooth for anything else?", default=True, err=True)
        radio = RadioKind.BLUEZ if shared else fitting_radio(_config(options))
    if page is None:
        network = typer.confirm("May other devices in your network see the page?", default=False, err=True)
        page = f"{socket.gethostname().partition('.')[0]}.local" if network else ""
        if network:
            page = typer.prompt("By which name do they reach this computer?", default=page, err=True)
    return Answers(zone, number, radio, page), people


def _config(options: GlobalOptions) -> Config:
    try:
        return options.config
    except ConfigError:  # told when the answers are written
        return Config()


def fitting_radio(config: Config) -> RadioKind:
    """For a computer that uses Bluetooth for nothing else: the exclusive radio, if its adapter passes a trial."""
    if config.radio.kind is RadioKind.EXCLUSIVE:
        return RadioKind.EXCLUSIVE
    advice = which_radio.advise(config.radio.adapter, say)
    for finding in advice.findings:
        say(f"{finding.topic}: {finding.text}")
    if not advice.exclusive:
        say("so records come over BlueZ; `sudo quietcuff check --trial` tries again")
    return RadioKind.EXCLUSIVE if advice.exclusive else RadioKind.BLUEZ


def _owner(options: GlobalOptions) -> int | None:
    """The service's user, where root acts for it: a store that root opens would lock the service out."""
    if os.geteuid() != 0 or options.store_option is not None:
        return None
    try:
        return pwd.getpwnam("quietcuff").pw_uid
    except KeyError:
        return None


def _own_command(options: GlobalOptions, file: Path, owner: int | None, *words: str) -> int:
    """One of our own commands, as the store's owner. Its words and its exit code are ours."""
    store = ["--store", str(options.store_option)] if options.store_option else []
    line = [sys.executable, "-m", "collector.cli.main", "--config", str(file), *store, *words]
    if owner is None:
        return subprocess.run(line).returncode

    entry = pwd.getpwuid(owner)
    environment = {**os.environ, "HOME": entry.pw_dir}
    groups = os.getgrouplist(entry.pw_name, entry.pw_gid)
    done = subprocess.run(line, user=owner, group=entry.pw_gid, extra_groups=groups, env=environment, cwd="/")
    return done.returncode


def _told(line: Sequence[str]) -> int:
    try:
        return subprocess.run(line, stdout=subprocess.DEVNULL).returncode
    except OSError:
        return COULD_NOT
