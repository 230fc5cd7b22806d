"""`listen` from its options on; and `quietcuff-listen`, the systemd unit's own small entry point.

The unit does not start `quietcuff listen`: the library that parses that command line would stay resident for months.
"""

import argparse
import asyncio
import os
import sys
from dataclasses import dataclass, replace
from pathlib import Path

from collector.service.config import Config, load, store_of
from collector.service.config.schema import ConfigError
from collector.service.config.settings import RadioKind
from collector.service.jobs.backups import folder_of, last_backup_hint
from collector.service.listen import log
from collector.service.listen.assemble import listen
from collector.service.listener_lock import AlreadyListening
from collector.store.errors import StoreError
from collector.store.opening import open_store

INTERRUPTED = 130  # 128 + SIGINT, as shells have it


@dataclass(frozen=True, slots=True)
class ListenOptions:
    """What the command line said; None where it said nothing."""

    store: Path | None = None
    config: Path | None = None
    radio: RadioKind | None = None
    adapter: str | None = None
    log: str = "info"


def configured(options: ListenOptions) -> Config:
    """The configuration with what the command line said in its place. Raises ConfigError."""
    config = load(options.config)
    radio = replace(
        config.radio, kind=options.radio or config.radio.kind, adapter=options.adapter or config.radio.adapter
    )
    return replace(config, radio=radio)


def serve(options: ListenOptions) -> None:
    """Runs until stopped. Raises ConfigError, StoreError or AlreadyListening when it cannot begin."""
    log.set_up(options.log)
    config = configured(options)
    store = store_of(options.store, config)
    _bring_up_to_date(store)
    try:
        asyncio.run(listen(store, config, reread=lambda: configured(options)))
    except StoreError as error:
        if error.kind != "damaged":
            raise
        hint = last_backup_hint(folder_of(store, config.backup.folder), store)
        raise StoreError(f"{error}; {hint}", "damaged") from error


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
        os._exit(0)
    finally:  # also where it is interrupted: nothing of ours is the child's to end
        os._exit(1)


def run() -> None:
    """The `quietcuff-listen` command: the same options as `quietcuff listen`, the same exit codes."""
    environment = os.environ
    parser = argparse.ArgumentParser("quietcuff-listen", description="Collect from every cuff in reach, until stopped.")
    parser.add_argument("--store", type=Path, default=environment.get("QUIETCUFF_STORE") or None, help="the store")
    parser.add_argument("--config", type=Path, default=environment.get("QUIETCUFF_CONFIG") or None, help="TOML file")
    parser.add_argument("--radio", choices=[str(kind) for kind in RadioKind])
    parser.add_argument("--adapter", metavar="HCI")
    parser.add_argument("--log", choices=list(log.LEVELS), default="info")
    said = parser.parse_args()
    radio = RadioKind(said.radio) if said.radio else None
    try:
        serve(ListenOptions(store=said.store, config=said.config, radio=radio, adapter=said.adapter, log=said.log))
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
    except ConfigError as error:
        sys.exit("\n".join(f"quietcuff: {problem}" for problem in error.problems))
    except (StoreError, AlreadyListening) as error:
        sys.exit(f"quietcuff: {' '.join(str(error).split())}")
    except OSError as error:
        where = f" ({error.filename})" if error.filename else ""
        sys.exit(f"quietcuff: {(error.strerror or str(error)).lower()}{where}; check the path and its rights")


if __name__ == "__main__":
    run()
