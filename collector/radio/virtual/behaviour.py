"""How a virtual cuff behaves: a faithful one by default, and every way of going wrong that tests ask for."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Drop:
    """The cuff cuts the link at a step: 'connect', 'encrypted', 'discover', 'characteristics', 'descriptors',
    'read 2a49', 'write 2a2b', 'subscribe 2a35', 'indicate', 'confirm', 'notify'.

    when: 'before' it does its part of the step, 'during' (done, but cut in the same instant) or 'after'.
    nth: the which-th such step of the visit. times: in how many visits.
    """

    step: str
    when: str = "before"
    nth: int = 1
    times: int = 1


@dataclass(frozen=True, slots=True)
class Behaviour:
    """What kind of cuff this is: by default a 1.0 cuff that pairs, tells its time and leaves when done."""

    pairing: bool = True  # measurements only over an encrypted link
    asks_for_security: bool = True  # sends a Security Request as soon as it is connected
    refuses_pairing: bool = False  # answers 'pairing not supported'
    leaves_at_pairing: bool = False  # hangs up in place of an answer
    legacy_pairing: bool = False  # knows LE Legacy Pairing only, as cuffs did before Bluetooth 4.2
    passkey: int | None = None  # shows six digits instead of 'just works'
    demands_digits: bool = False  # takes a bond without them, and then refuses the subscription
    eager: bool = True  # a bonded revisit: sends as soon as the link is encrypted
    multiple_bonds: bool = False  # each bonded collector gets every record; else the first to confirm
    private_address: bool = False  # a new resolvable private address each time it wakes
    lists_service: bool = True  # names 0x1810 in its advertisement
    advertises_s: float = 30.0
    interval_ms: float = 30.0
    lingers_s: float = 0.3  # stays so long after its last record
    patience_s: float = 5.0  # leaves when nobody subscribes
    confirm_s: float = 30.0  # gives up waiting for a confirmation (Core Vol 3 Part F 3.3.3)

    clock: str | None = "current time"  # or 'date time', or none at all
    clock_settable: bool = True
    clock_reserves: bool = False  # takes a written time but answers ATT error 0x80: some fields ignored
    features: int = 0x0000
    battery: int | None = 80
    device: Mapping[int, bytes] = field(
        default_factory=lambda: {0x2A29: b"Example Works", 0x2A24: b"VC-1", 0x2A25: b"0001", 0x2A26: b"1.0"}
    )

    enhanced: bool = False  # 1.1: sends 0x2B34 instead of 0x2A35
    keeps_records: bool = False  # 1.1: stored records on request (RACP), never deleted by a confirmation
    filters: bool = True  # 1.1: knows 'greater or equal' by sequence number
    crc: bool = False  # 1.1: E2E-CRC on records
    consent: tuple[int, int] | None = None  # user index and code it wants to hear before it tells records
    users: Mapping[int, int] = field(default_factory=dict)  # several users: index to code; each one's records apart
    counts: bool = True  # 1.1: tells how many records it keeps

    drop: Drop | None = None
    ignores_subscription: bool = False  # sends whether or not anybody subscribed
    early_notifications: bool = False  # so it does by notification, which nobody confirms
    resends_all: bool = False  # forgets what was confirmed
    forgets_bond: bool = False  # loses its side of the bond before each visit
    measurement_properties: int | None = None  # declares these (0x10 notify, 0x20 indicate, 0 neither)
    described_in_words: bool = False  # the measurement has another descriptor, before its configuration
    strays: tuple[tuple[int, bytes], ...] = ()  # indications on these handles before each record
    endless: bool = False  # never runs out of records
    never_answers: tuple[int, ...] = ()  # reads of these characteristics get no answer
    hangs_up_when_read: tuple[int, ...] = ()  # leaves when asked for one of these characteristics
    hangs_up_at: Callable[[bytes], bool] | None = None  # leaves at such a request (its octets)
    sends_after_s: float = 0.0  # so long after somebody listens, whatever it is asked meanwhile
    answers_after_s: float = 0.0  # takes so long over every request
    stays_s: float | None = None  # leaves so long after it was connected, whatever is going on
    tells_of_changes: bool = False  # has Service Changed, for bonded collectors that asked to be told
    database_hash: bytes | None = None  # of its table, sixteen octets, where it offers one
    clock_first: bool = False  # sends nothing before its clock was written
    reads_our_clock: bool = False  # sets its clock by the collector's, which it reads before it sends
    clock_unanswered: bool = False  # its clock is written without response
    long_values: int = 0  # device information of so many octets
    extra_characteristics: int = 0  # so many more, of no use to anybody
    endless_values: bool = False  # device information never ends, however far it is read
    babble: tuple[tuple[int, bytes], ...] = ()  # L2CAP channel and octets, sent after each request
    garble: Callable[[int, bytes], bytes | None] | None = None  # answers a request instead (its number, its octets)
