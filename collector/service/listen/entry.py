"""`listen` from its options on: what the command line said, the configuration with it, and the service."""

import asyncio
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from collector.service.config import Config, load, usual_store
from collector.store.errors import StoreError
from collector.store.opening import open_store

RADIOS = ("bluez", "exclusive", "virtual")
LEVELS = ("debug", "info", "warning", "error")


@dataclass(frozen=True, slots=True)
class Wish:
    """What the command line said; None where it said nothing."""

    store: Path | None = None
    config: Path | None = None
    radio: str | None = None
    adapter: str | None = None
    log: str = "info"


def chosen(wish: Wish) -> Config:
    """The configuration with what the command line said in its place. Raises ConfigError."""
    config = load(wish.config)
    radio = replace(config.radio, kind=wish.radio or config.radio.kind, adapter=wish.adapter or config.radio.adapter)
    return replace(config, radio=radio)


def serve(wish: Wish) -> None:
    """Runs until stopped. Raises ConfigError, StoreError or AlreadyListening when it cannot begin."""
    from collector.service.listen import log
    from collector.service.listen.assemble import listen

    log.set_up(wish.log)
    config = chosen(wish)
    store = wish.store or config.store.path or usual_store()
    _bring_up_to_date(store)
    try:
        asyncio.run(listen(store, config, again=lambda: chosen(wish)))
    except StoreError as error:
        if error.kind != "damaged":
            raise
        from collector.service.jobs.backups import folder_of, offer

        raise StoreError(f"{error}; {offer(folder_of(store, config.backup.folder), store)}", "damaged") from error


def _bring_up_to_date(store: Path) -> None:
    """Make or upgrade the store in a process of its own: what changes a schema takes 14 MB, for good.

    What goes wrong there goes wrong again, and is told, where the service opens the store.
    """
    child = os.fork()
    if child:
        os.waitpid(child, 0)
        return
    try:
        open_store(store).close()
    except Exception:
        os._exit(1)
    os._exit(0)


def plainly(arguments: list[str], environment: Mapping[str, str] = os.environ) -> Wish | None:
    """A plain `[--store FILE] [--config FILE] listen [--radio …] [--adapter …] [--log …]`, understood without the
    library that parses the command line: its dozen megabytes would stay with the service for months.

    None for anything else, also for what is wrong or asks for help: that is the library's to explain.
    """
    said = {
        option: environment[variable]
        for option, variable in (("--store", "QUIETCUFF_STORE"), ("--config", "QUIETCUFF_CONFIG"))
        if environment.get(variable)
    }
    words = [part for word in arguments for part in (word.split("=", 1) if word.startswith("--") else [word])]
    if words.count("listen") != 1:
        return None
    words.remove("listen")
    for option, value in zip(words[::2], words[1::2], strict=False):
        if option not in ("--store", "--config", "--radio", "--adapter", "--log") or value.startswith("-"):
            return None
        said[option] = value
    store, config = (Path(said[name]) if name in said else None for name in ("--store", "--config"))
    wish = Wish(store, config, said.get("--radio"), said.get("--adapter"), said.get("--log", "info"))
    known = wish.radio in (None, *RADIOS) and wish.log in LEVELS
    return wish if known and len(words) % 2 == 0 else None
