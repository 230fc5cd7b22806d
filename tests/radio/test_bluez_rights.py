"""The radio goes on without the witness, and says in the right words what is missing."""

import asyncio
import errno

import pytest
from air import NoteSink

from collector.radio.bluez import BlueZRadio, radio
from collector.radio.bluez.bus import Bus
from collector.radio.errors import RadioUnavailable
from collector.radio.plan import UseWitness, VisitPlan


@pytest.mark.parametrize(
    ("refusal", "said"),
    [
        (radio.NotPermitted("needs the right"), "needs the right; without it"),
        (
            OSError(errno.EAFNOSUPPORT, "no such family"),
            "the kernel's monitor channel cannot be opened: [Errno 97] no such family; without it",
        ),
    ],
)
async def test_no_witness(monkeypatch: pytest.MonkeyPatch, refusal: Exception, said: str) -> None:
    def refuse(_: object) -> None:
        raise refusal

    async def no_bus() -> None:
        raise RadioUnavailable("no D-Bus here")

    monkeypatch.setattr(radio, "open_channel", refuse)
    monkeypatch.setattr(Bus, "open", no_bus)
    sink = NoteSink()
    with pytest.raises(RadioUnavailable, match="no D-Bus here"):
        await BlueZRadio().run(sink, VisitPlan(), asyncio.Event())
    assert (sink.told["witness"] or "").startswith(said)
    with pytest.raises(RadioUnavailable, match="the witness is wanted"):
        await BlueZRadio(witness=UseWitness.ON).run(sink, VisitPlan(), asyncio.Event())
