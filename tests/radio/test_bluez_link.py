"""A link that goes while it is being looked at is a lost link, whatever bleak calls it."""

import asyncio
from typing import Any

import pytest
from air import NoteSink
from bleak.exc import BleakError

from collector.radio.bluez.bus import Bus
from collector.radio.bluez.delivery import Delivery, EarlyVisits
from collector.radio.bluez.link import BlueZLink
from collector.radio.bluez.subscriptions import Subscriptions
from collector.radio.bluez.visits import Visits
from collector.radio.errors import LinkLost
from collector.radio.plan import VisitPlan


class Forgetful:
    """A bleak client after the link has gone."""

    @property
    def services(self) -> Any:
        raise BleakError("Service Discovery has not been performed yet")


async def test_services_that_are_gone_are_a_link_that_is_lost() -> None:
    radio = Visits(
        bus=Bus(),
        delivery=Delivery(EarlyVisits(NoteSink(), "bluez")),
        plan=VisitPlan(),
        subscriptions=False,
        wanted_adapter=lambda path: True,
    )
    link = BlueZLink(radio, "/org/bluez/hci0/dev_1", "bluez")
    link._client = Forgetful()  # type: ignore[assignment]
    with pytest.raises(LinkLost):
        await link.discover()


class SlowBus(Bus):
    """bluetoothd owes an answer to StartNotify until `answer` is set."""

    def __init__(self) -> None:
        super().__init__()
        self.answer, self.asked = asyncio.Event(), 0

    async def call(self, *what: Any, **how: Any) -> list[Any]:
        self.asked += 1
        await self.answer.wait()
        return []


async def test_a_visit_waits_for_a_subscription_that_is_under_way() -> None:
    """A cuff that `cuff add` has made known is subscribed to as soon as its place is there, before the visit does."""
    bus = SlowBus()
    subscriptions = Subscriptions(bus, lambda _: True, lambda *_: None)
    path = "/org/bluez/hci0/dev_1/service1/char2"
    first, second = asyncio.ensure_future(subscriptions.hold(path)), asyncio.ensure_future(subscriptions.hold(path))
    await asyncio.sleep(0.01)
    assert not second.done()
    bus.answer.set()
    await asyncio.gather(first, second)
    assert bus.asked == 1
