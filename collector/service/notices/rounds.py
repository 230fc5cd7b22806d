"""One round: how do things stand, what has nobody been told yet, what is over. And who calls it, when."""

import logging
import threading
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from collector.service.config import Config
from collector.service.notices.channels import ChannelError, CommandChannel, LogChannel, NoticeChannel
from collector.service.notices.notice import Notice
from collector.service.notices.sent import SentNotices
from collector.service.notices.situation import limits_of, situation_now
from collector.service.notices.standing import standing
from collector.store import conditions
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.opening import open_store

log = logging.getLogger("quietcuff.notices")


def channels_of(config: Config) -> list[NoticeChannel]:
    """The log always; a program and MQTT where they are configured."""
    wanted = config.notices
    channels: list[NoticeChannel] = [LogChannel()]
    if wanted.command:
        channels.append(CommandChannel(wanted.command, wanted.command_timeout_s, wanted.personal))
    if config.mqtt.host:
        from collector.service.notices.mqtt import MqttChannel

        channels.append(MqttChannel(config.mqtt, wanted.personal))
    return channels


def notices_now(store: Store, config: Config, now: datetime | None = None) -> tuple[Notice, ...]:
    """Every notice that stands. Raises StoreError."""
    return standing(situation_now(store, config, now), limits_of(config))


def tell(notices: Sequence[Notice], channels: Iterable[NoticeChannel], sent: SentNotices, now: datetime) -> list[str]:
    """Give each channel what it was not given yet; returns what did not get through, in words.

    A channel that fails is left alone until the next round; the others go on.
    """
    troubles = []
    keys = frozenset(notice.key for notice in notices)
    for channel in channels:
        try:
            for key in sent.ended(channel.name, keys, now):
                channel.over(key, now)
                sent.over(channel.name, key)
            for notice in notices:
                if not sent.was_sent(channel.name, notice.key):
                    channel.begins(notice, now)
                    sent.begins(channel.name, notice.key)
        except ChannelError as error:
            troubles.append(f"a notice did not get through: {error}")
    return troubles


class Rounds:
    """The recurring job, and an extra round when a reading came. Each opens the store anew, in a thread of its own."""

    def __init__(
        self, store: Path, config: Config, channels: Sequence[NoticeChannel] | None = None, moment_s: float = 5.0
    ) -> None:
        self.store, self.config, self.moment_s = store, config, moment_s
        self.channels = channels_of(config) if channels is None else channels
        self.sent = SentNotices.beside(store)
        self._one_at_a_time = threading.Lock()
        self._waiting = threading.Event()
        self._trouble = ""

    def __call__(self) -> str | None:
        """For a Job. Says nothing: the notices are in the log themselves."""
        with self._one_at_a_time:
            self._waiting.clear()
            now = datetime.now(UTC)
            try:
                with open_store(self.store, create=False) as store:
                    notices = notices_now(store, self.config, now)
            except StoreError as error:
                notices = (Notice("store", "", str(error), "quietcuff check tells more"),)
            self._report(tell(notices, self.channels, self.sent, now))
        return None

    def soon(self) -> None:
        """A round beside whatever goes on now; returns at once. Many calls make one round, after a moment: a cuff sends
        what it holds in one go, and its newest record may be a lower one."""
        if self._waiting.is_set():
            return
        self._waiting.set()
        timer = threading.Timer(self.moment_s, self._guarded)
        timer.name, timer.daemon = "notices", True
        timer.start()

    def _guarded(self) -> None:
        try:
            self()
        except Exception as error:
            log.error("notices failed: %s: %s", type(error).__name__, error)

    def _report(self, troubles: Sequence[str]) -> None:
        trouble = "; ".join(troubles)
        if trouble == self._trouble:
            return
        self._trouble = trouble
        if trouble:
            log.error("%s", trouble)
        with suppress(StoreError), open_store(self.store, create=False) as store:
            conditions.tell(store, "notices", trouble or None, datetime.now(UTC))
