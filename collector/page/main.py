"""The page without the command line's library, whose megabytes would stay as long as somebody looks: for the unit."""

import os
import sys
from pathlib import Path

from collector.page.serving import NoSocket
from collector.page.start import start
from collector.service.config import ConfigError, load, store_of
from collector.store.errors import StoreError


def run() -> None:
    """`quietcuff-page`: as `quietcuff page run`, by QUIETCUFF_STORE and QUIETCUFF_CONFIG alone."""
    store, config = (
        Path(os.environ[name]) if os.environ.get(name) else None for name in ("QUIETCUFF_STORE", "QUIETCUFF_CONFIG")
    )
    try:
        settings = load(config)
        start(store_of(store, settings), settings, _say)
    except (ConfigError, NoSocket, StoreError) as error:
        sys.exit(f"quietcuff-page: {error}")


def _say(words: str) -> None:
    sys.stderr.write(words + "\n")


if __name__ == "__main__":
    run()
