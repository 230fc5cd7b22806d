"""A witness killed at any step: nothing is lost, and nothing shown as new a second time."""

from contextlib import closing

from hypothesis import given, settings
from hypothesis import strategies as st
from monitor_channel import CUFF, OTHER, PRIVATE, Sink, Stand, encrypted, ended, indication, made, pieces, shown

from collector.radio.bluez.monitor.handover import Handover
from collector.radio.bluez.monitor.hci_frames import Frame
from collector.radio.bluez.monitor.links import ReceivedValue
from collector.radio.facts import KnownCuff


class Killed(BaseException):
    pass


class Reaper:
    """Kills at the steps it was told: after so many passings of 'stored', 'written down' or 'taken'."""

    def __init__(self, kills: list[tuple[str, int]]) -> None:
        self.kills, self.passed = list(kills), 0

    def pass_by(self, where: str) -> None:
        if self.kills and self.kills[0][0] == where:
            self.passed += 1
            if self.passed >= self.kills[0][1]:
                self.kills.pop(0)
                self.passed = 0
                raise Killed


class WatchedDesk(Sink):
    reaper: Reaper

    def record(self, address: str, characteristic: int, value: ReceivedValue, mark: str) -> None:
        super().record(address, characteristic, value, mark)
        self.reaper.pass_by("stored")


class WatchedStand(Stand):
    def __init__(self, kills: list[tuple[str, int]], known: tuple[KnownCuff, ...], handover: Handover) -> None:
        self.reaper = Reaper(kills)
        super().__init__(known, handover)
        self.sink = WatchedDesk()
        self.sink.reaper = self.reaper
        self.restart()

    def start(self) -> None:
        super().start()
        take = self.witness.channel.take

        def taking() -> Frame | None:
            self.reaper.pass_by("written down")
            frame_ = take()
            self.reaper.pass_by("taken")
            return frame_

        self.witness.channel.take = taking  # type: ignore[method-assign]


CONVERSATION = [
    made(OTHER, 0x41),
    made(PRIVATE),
    shown(CUFF),
    encrypted(),
    indication(b"1"),
    indication(b"2"),
    *pieces(b"3" * 50, [20, 20]),
    indication(b"n", handle=0x41),
    indication(b"4"),
    ended(),
    made(CUFF, 0x41, adapter=1),
    indication(b"5", handle=0x41, adapter=1),
    indication(b"6", 9, 0x41),
]


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["stored", "written down", "taken"]), st.integers(1, 4)), max_size=12))
def test_a_kill_at_any_step_loses_nothing_and_shows_nothing_as_new(kills: list[tuple[str, int]]) -> None:
    """'stored': the sink has it; 'written down': a successor would know; 'taken': it is off the socket."""
    handover = Handover()
    with closing(WatchedStand(kills, (KnownCuff(CUFF, True, {3: 0x2B34}),), handover)) as stand:
        for octets_ in CONVERSATION:
            stand.far.send(octets_)
        while True:
            try:
                stand.hear()
                break
            except Killed:
                stand.restart()
        expected = [b"1", b"2", b"3" * 50, b"4", b"5"]
        assert [value for _, _, value in stand.sink.records] == expected
        assert all(address == CUFF for address, _, _ in stand.sink.records)
        assert len(set(stand.sink.marks)) == len(expected)
    handover.close()
