"""Which of the values on the air are a cuff's records: decided by identity address and value handle."""

from collections.abc import Callable, Mapping

from collector.radio.bluez.monitor.kernel_filter import KernelFilter
from collector.radio.facts import KnownCuff
from parsers.uuids import Uuid

MAY_BE_LONG = frozenset({Uuid.ENHANCED_MEASUREMENT, Uuid.BLOOD_PRESSURE_RECORD})
"""Records that can exceed the 20 octets which every packet carries. 0x2A35 never does: 19 at most (GSS, flags)."""

WAIT, DISCARD = "hold", "discard"
Verdict = int | str  # a characteristic's 16-bit number, HOLD or DISCARD


class RecordHandles:
    """Knows cuffs and where discovery found their measurement characteristics.

    is_other: says of an address that BlueZ has discovered it and it is no cuff.
    """

    def __init__(self, known: tuple[KnownCuff, ...] = (), is_other: Callable[[str], bool] = lambda _: False) -> None:
        self.handles: dict[str, dict[int, int]] = {}
        self.discovered: set[str] = set()  # on the link that is up
        self.is_other = is_other
        self.update(known)

    def update(self, known: tuple[KnownCuff, ...]) -> None:
        """Take over what the sink knows and forget what it forgot; discovery on a link that is up is newer truth."""
        fresh = {cuff.address: dict(cuff.handles) for cuff in known}
        self.handles = fresh | {
            address: handles for address, handles in self.handles.items() if address in self.discovered
        }

    def learn(self, address: str, handles: Mapping[int, int]) -> None:
        """Discovery on the link that is up has finished."""
        self.handles[address] = dict(handles)
        self.discovered.add(address)

    def link_ended(self, address: str) -> None:
        self.discovered.discard(address)

    def verdict(self, address: str, value_handle: int) -> Verdict:
        """What to do with an indication: a cuff's record, nobody's business, or not known before discovery."""
        found = self.handles.get(address, {}).get(value_handle)
        if found is not None:
            return found
        if address in self.discovered or self.is_other(address):
            return DISCARD
        return WAIT

    def kernel_filter(self) -> KernelFilter:
        """The filter that lets through what these cuffs may send, and as little else as it can."""
        every = [(handle, short) for handles in self.handles.values() for handle, short in handles.items()]
        return KernelFilter(
            notified=frozenset(handle for handle, short in every if short == Uuid.BLOOD_PRESSURE_RECORD),
            continuations=any(short in MAY_BE_LONG for _, short in every),
        )
