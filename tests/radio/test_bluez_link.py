"""A link that goes while it is being looked at is a lost link, whatever bleak calls it."""

from typing import Any

import pytest
from air import NoteSink
from bleak.exc import BleakError

from collector.radio.bluez.bus import Bus
from collector.radio.bluez.delivery import Delivery, EarlyVisits
from collector.radio.bluez.link import BlueZLink
from collector.radio.bluez.visits import Visits
from collector.radio.plan import VisitPlan
from collector.radio.port import LinkLost


class Forgetful:
    """A bleak client after the link has gone."""

    @property
    def services(self) -> Any:
        raise BleakError("Service Discovery has not been performed yet")


async def test_services_that_are_gone_are_a_link_that_is_lost() -> None:
    around = Visits(
        bus=Bus(),
        delivery=Delivery(EarlyVisits(NoteSink(), "bluez")),
        plan=VisitPlan(),
        subscriptions=False,
        wanted_adapter=lambda path: True,
    )
    link = BlueZLink(around, "/org/bluez/hci0/dev_1", "bluez")
    link._client = Forgetful()  # type: ignore[assignment]
    with pytest.raises(LinkLost):
        await link.discover()
