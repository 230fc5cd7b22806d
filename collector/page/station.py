"""Station: what `check` finds, in its words; backups, storage, versions."""

import asyncio
import platform
from importlib.metadata import version

from starlette.requests import Request
from starlette.responses import Response

from collector.page.rendering import draw
from collector.page.visitor import may, station_of
from collector.service.checks.everything import everything
from collector.service.checks.finding import FindingState
from collector.service.jobs import backups
from collector.service.jobs.backups import BackupError
from collector.share.report.days import made
from collector.share.text.layout import size_words
from collector.store.people.page_devices import Role

BACKUPS_SHOWN = 5


@may(Role.KEEPER)
async def station(request: Request) -> Response:
    station = station_of(request)
    found = await asyncio.to_thread(lambda: list(everything(station.config, station.path, quick=True)))
    folder = backups.folder_of(station.path, station.config.backup.folder)
    try:
        kept = backups.every(folder, station.path)[::-1]
        trouble = ""
    except BackupError as error:
        kept, trouble = [], str(error)
    return draw(
        request,
        "station.html",
        attention=[one for one in found if one.state is not FindingState.FINE],
        fine=[one for one in found if one.state is FindingState.FINE],
        backups=[(made(one.made_at.astimezone(station.zone)), size_words(one.size)) for one in kept[:BACKUPS_SHOWN]],
        total=len(kept),
        trouble=trouble,
        size=size_words(station.path.stat().st_size),
        versions=(("quietcuff", version("quietcuff")), ("Python", platform.python_version())),
    )
