"""`quietcuff page …`: the station's web page, and which devices may see it."""

import io
import os
import sys
from contextlib import suppress
from datetime import UTC, datetime
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated

import typer

from collector.cli.common.command import MANY, Failure, GlobalOptions, new_app, options_of, out, say
from collector.cli.common.output import out_json, out_table
from collector.cli.common.selection import reading_store, writing_store
from collector.service.config.settings import PageSettings
from collector.store.people import page_devices
from collector.store.people.page_devices import Role

app = new_app("""The station's page for people who do not use terminals, and who may see it.

    It answers on this machine alone until [page] in the configuration names an address. A link from `page invite` lets
    a device in, once; there are no passwords.

    \b
    Examples (invented people):
      quietcuff page run
      quietcuff page invite mira
      quietcuff page devices
    """)


@app.command("run")
def run(
    ctx: typer.Context,
    address: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Where to listen; else as configured, else this machine alone."),
    ] = None,
    port: Annotated[int | None, typer.Option(metavar="N", min=1, max=65535, help="The port.")] = None,
) -> None:
    """Serve the page until stopped.

    On an address that others can reach it speaks TLS only, with a certificate of its own unless the configuration names
    one. Started by systemd's socket unit it takes that socket, and ends after some quiet minutes.

    \b
    Examples:
      quietcuff page run
      quietcuff page run --address 0.0.0.0
    """
    need_extra()
    options = options_of(ctx)
    hand_over(options, address, port)


@app.command("invite")
def invite(
    ctx: typer.Context,
    person: Annotated[str | None, typer.Argument(metavar="PERSON", help="Whose device it is to be.")] = None,
    role: Annotated[
        Role,
        typer.Option(
            help="person: own data; keeper: the household; desk: loans, no names; viewer: looks at one person's data."
        ),
    ] = Role.PERSON,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the QR code as a picture, .png or .svg, as well.")
    ] = None,
) -> None:
    """Print a link and its QR code that let one device in.

    The link is good once and for 15 minutes. The device stays signed in for a year, or until `page revoke`.

    \b
    Examples (invented people):
      quietcuff page invite mira
      quietcuff page invite mira --role keeper
      quietcuff page invite --role desk
    """
    options = options_of(ctx)
    base = base_address(options.config.page)
    with writing_store(options) as store:
        token = page_devices.invite(store, person, role, datetime.now(UTC))
    link = f"{base}/in/{token}"
    out(link)
    _show_code(link, picture)
    _say_fingerprint(options, base)
    say("Good once, for 15 minutes. Open it on the device that is to be let in.")


@app.command("devices")
def devices(
    ctx: typer.Context, as_json: Annotated[bool, typer.Option("--json", help="One JSON object a device.")] = False
) -> None:
    """List the devices that may see the page.

    \b
    Example:
      quietcuff page devices
    """
    options = options_of(ctx)
    with reading_store(options) as store:
        found = page_devices.every(store)
    if as_json:
        for one in found:
            known = {"device": one.number, "name": one.name, "role": str(one.role), "person": one.person}
            out_json({**known, "since": one.made_at, "last_seen": one.seen_at, "until": one.ends_at})
        return
    if not found:
        say("no device may see the page yet; `quietcuff page invite` lets one in")
        return
    rows = [
        (
            str(one.number),
            str(one.role),
            one.person or "",
            f"{one.seen_at.astimezone(options.zone):%Y-%m-%d %H:%M}",
            one.name,
        )
        for one in found
    ]
    out_table(rows, ("id", "role", "person", "last seen", "name"))


@app.command("revoke")
def revoke(
    ctx: typer.Context,
    device: Annotated[
        int, typer.Argument(metavar="ID", min=1, max=MANY, help="The device's id, as `page devices` shows it.")
    ],
) -> None:
    """Shut a device out, at once.

    \b
    Example:
      quietcuff page revoke 3
    """
    with writing_store(options_of(ctx)) as store:
        gone = page_devices.revoke(store, device, datetime.now(UTC))
    say(f"{gone.name} ({gone.role}) is out; a page it has open closes within a second")


def base_address(page: PageSettings) -> str:
    """What a link begins with."""
    host = page.name or ("127.0.0.1" if page.address in ("0.0.0.0", "::") else page.address)
    plain = False
    with suppress(ValueError):
        plain = ip_address(page.address).is_loopback
    return f"http{'' if plain else 's'}://{f'[{host}]' if ':' in host else host}:{page.port}"


def hand_over(options: GlobalOptions, address: str | None, port: int | None) -> None:
    """Become the unit's own small program: the command line's library would take megabytes as long as the page runs."""
    wanted = {
        "QUIETCUFF_STORE": str(options.store_path.absolute()),
        "QUIETCUFF_CONFIG": str(options.config_option.absolute()) if options.config_option else "",
        "QUIETCUFF_PAGE_ADDRESS": address or "",
        "QUIETCUFF_PAGE_PORT": str(port or ""),
    }
    os.environ.update({name: value for name, value in wanted.items() if value})
    os.execv(sys.executable, [sys.executable, "-P", "-m", "collector.page.main"])


def need_extra() -> None:
    try:
        import jinja2
        import starlette
        import uvicorn
    except ModuleNotFoundError:
        raise Failure("the page needs libraries that are not installed: pip install 'quietcuff[page]'") from None
    del jinja2, starlette, uvicorn


def _show_code(link: str, picture: Path | None) -> None:
    """The QR code on stderr: white on black whatever the terminal's own colours, or a phone reads it the wrong way."""
    try:
        import segno
    except ModuleNotFoundError:
        if picture:
            raise Failure("a picture of the code needs segno: pip install 'quietcuff[page]'") from None
        return
    code = segno.make(link, error="l", micro=False)
    if picture:
        code.save(str(picture), scale=8)
    if sys.stderr.isatty():
        drawn = io.StringIO()
        code.terminal(drawn, compact=True)
        for row in drawn.getvalue().splitlines():
            sys.stderr.write(f"\x1b[97;40m{row}\x1b[0m\n")


def _say_fingerprint(options: GlobalOptions, base: str) -> None:
    if not base.startswith("https"):
        return
    from collector.page.certificate import fingerprint, read
    from collector.page.start import certificate_files

    file, _ = certificate_files(options.store_path, options.config)
    say(f"The browser will warn once. Compare what it shows, SHA-256: {fingerprint(read(file))}")
