"""The configuration: one TOML file, every key with a default, every mistake told with its line.

The dataclasses below are the whole schema. A new key is a field made with `key`; a new section is a dataclass
and a field of `Config`. A field of type `Mapping[str, Section]` reads tables with names of the user's own,
such as `[people.anna]`; the keys of `[protocols.NAME]` are those of `collector.numbers.custom`.
Reading it: `from_file.py`.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Any

from collector.numbers.medical_condition import MedicalCondition
from collector.radio.plan import SetClock, UseWitness
from collector.service.config.schema import key
from collector.share.relay.kinds import KINDS


class RadioKind(StrEnum):
    BLUEZ = "bluez"
    EXCLUSIVE = "exclusive"
    VIRTUAL = "virtual"


class Accept(StrEnum):
    ANY = "any"
    KNOWN = "known"


RelayKind = StrEnum("RelayKind", {name.upper(): name for name in KINDS})  # type: ignore[misc]
"""The kinds of receivers: what has a line in `share/relay/kinds.py`."""

PRIVATE_KEY = "AGE-SECRET-KEY-"
"""How a private key of age begins."""


def _zone(name: str) -> str | None:
    from collector.store.columns import zone_named  # brings the store, which `--version` and help do without

    try:
        zone_named(name)
    except ValueError:
        return "not a time zone of the IANA database, such as 'Europe/Lisbon'"
    return None


def _address(address: str) -> str | None:
    if re.fullmatch(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}|hci\d+|usb:\d+", address):
        return None
    return "an adapter is named like 'hci0', or for the exclusive radio 'usb:0'"


def _day(text: str) -> str | None:
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return "a day is written like '2031-03-04'"
    return None if 1900 <= day.year <= 2199 else "a day is one from 1900-01-01 to 2199-12-31"


def _hour(text: str) -> str | None:
    return None if re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text) else "a time of day is written like '03:15'"


def _hours(times: tuple[str, ...]) -> str | None:
    if not times or (len(times) == 2 and times[0] != times[1] and not any(map(_hour, times))):
        return None
    return 'hours are two times of day, such as ["05:00", "11:00"]'


def _record(text: str) -> str | None:
    if not text or re.fullmatch(r"[a-z][a-z0-9+.-]*:[^\s|]+\|[^\s|]([^|]*[^\s|])?", text):
        return None
    return "a record is written as who numbers it, a URI, and the number: 'https://clinic.example/records|4711'"


def key_problem(text: str) -> str | None:
    """What is wrong with a public key in the configuration; None where it may do."""
    if text.startswith(("age1", "ssh-ed25519 ", "ssh-rsa ")):
        return None
    if text.upper().startswith(PRIVATE_KEY):
        return "the private key; here goes the public one, which begins with age1"
    return "not an age or SSH public key (they begin with age1, ssh-ed25519 or ssh-rsa)"


def _sealable(text: str) -> str | None:
    return key_problem(text) if text else None


def _topic(text: str) -> str | None:
    return "a topic has no '+', '#' or '/' at its ends" if re.search(r"[+#]|^/|/$|^$", text) else None


def _prefix(text: str) -> str | None:
    return _topic(text) if text else None


@dataclass(frozen=True, slots=True)
class StationSettings:
    name: str = key("", "What this station is called where several are merged.")
    zone: str | None = key(None, "Time zone of the cuffs' wall clock; else this machine's.", check=_zone)
    emergency_number: str = key("", "The local emergency number, shown with very high readings.")


@dataclass(frozen=True, slots=True)
class RadioSettings:
    kind: RadioKind = key(RadioKind.BLUEZ, "The system's Bluetooth, an adapter of our own, or invented cuffs.")
    adapter: str | None = key(
        None, "Which adapter, such as hci0; all if not given. Exclusive: usb:0 as well.", check=_address
    )
    accept: Accept = key(Accept.ANY, "Visit any cuff in reach, or known ones only.")
    set_clock: SetClock = key(SetClock.NEVER, "Whether a visit may set the cuff's clock.")
    clock_wrong_after_s: float = key(
        60.0, "Seconds from which a cuff's clock counts as wrong.", at_least=1, at_most=86400
    )
    witness: UseWitness = key(UseWitness.AUTO, "Whether to read indications from the kernel's monitor channel.")


@dataclass(frozen=True, slots=True)
class StoreSettings:
    path: Path | None = key(None, "The store's file.")


@dataclass(frozen=True, slots=True)
class BackupSettings:
    daily: bool = key(True, "Whether to back the store up every day.")
    at: str = key("03:15", "When, by this machine's wall clock.", check=_hour)
    folder: Path | None = key(None, "Where to; else 'backups' beside the store.")
    keep: int = key(14, "How many backups stay.", at_least=1, at_most=3660)
    encrypt_to: str = key("", "A public key (age or SSH) that only you have the private one of.", check=_sealable)


@dataclass(frozen=True, slots=True)
class RetentionSettings:
    """Off unless set. What a rule takes away is gone from the store; backups keep it until they go."""

    payloads_days: int = key(
        0, "Days to keep payloads as they came; their readings stay. 0: for ever.", at_least=0, at_most=36500
    )


@dataclass(frozen=True, slots=True)
class NoticesSettings:
    """Who hears of what wants somebody's attention, and when. This is no alarm system."""

    command: tuple[str, ...] = key((), "A program and its arguments; each notice goes to it as JSON.")
    command_timeout_s: float = key(20.0, "Seconds until the program is stopped.", at_least=1, at_most=300)
    personal: bool = key(False, "Whether names and values leave through the program and MQTT.")
    cuff_silent_days: int = key(
        14, "Days without a visit after which a cuff is missed. 0: never.", at_least=0, at_most=3660
    )
    battery_below: int = key(20, "Percent of battery below which a cuff wants new ones.", at_least=0, at_most=100)
    clock_off_min: int = key(10, "Minutes from which a cuff's clock is worth a notice.", at_least=1, at_most=525600)
    disk_free_mb: int = key(200, "MB that have to be free beside the store.", at_least=0, at_most=10**9)
    very_high: bool = key(True, "Whether a very high reading is a notice.")
    series: bool = key(True, "Whether a series that falls short of its plan is a notice.")


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """Notices as retained messages, gone when they are over."""

    host: str = key("", "The broker; empty: no MQTT.")
    port: int = key(1883, "Its port; 8883 is usual with TLS.", at_least=1, at_most=65535)
    tls: bool = key(False, "Whether to speak TLS and check the broker's certificate.")
    ca_file: Path | None = key(None, "Certificates to trust instead of the system's.")
    user: str = key("", "User name at the broker.")
    password_file: Path | None = key(None, "A file that holds the password.")
    topic: str = key("quietcuff", "Where all topics begin.", check=_topic)


def _conditions(names: tuple[str, ...]) -> str | None:
    unknown = [name for name in names if name not in list(MedicalCondition)]
    return f"'{unknown[0]}' is unknown; known: {', '.join(MedicalCondition)}" if unknown else None


@dataclass(frozen=True, slots=True)
class PersonSettings:
    """A person's own plan, set by the treating clinician; goes before any protocol's figures."""

    protocol: str | None = key(None, "The protocol that averages follow.")
    series_from: str = key("", "First day of a series to keep an eye on, such as '2031-03-04'.", check=_day)
    threshold_systolic: int | None = key(None, "mmHg; from here on raised.", at_least=60, at_most=260)
    threshold_diastolic: int | None = key(None, "mmHg; from here on raised.", at_least=30, at_most=160)
    goal_systolic: int | None = key(None, "mmHg; below is the goal.", at_least=60, at_most=260)
    goal_diastolic: int | None = key(None, "mmHg; below is the goal.", at_least=30, at_most=160)
    low_systolic: int | None = key(None, "mmHg; below is marked low.", at_least=50, at_most=140)
    low_diastolic: int | None = key(None, "mmHg; below is marked low.", at_least=20, at_most=100)
    born: int | None = key(None, "Year of birth, for goals that are other from an age on.", at_least=1900, at_most=2100)
    conditions: tuple[str, ...] = key((), "Of 'atrial fibrillation', 'kidney disease', 'diabetes'.", check=_conditions)
    atrial_fibrillation: bool = key(False, "Whether each sitting takes three readings, as with atrial fibrillation.")
    morning: tuple[str, ...] = key((), "Hours of the morning readings, say for night work.", check=_hours)
    evening: tuple[str, ...] = key((), "Hours of the evening readings.", check=_hours)
    record: str = key("", "The person's medical record, for FHIR and Open mHealth: 'SYSTEM|NUMBER'.", check=_record)


def _users_problem(users: Any) -> str | None:
    for one in users:
        found = re.fullmatch(r"([0-9]{1,3}):([0-9]{1,4})", one)
        if found is None or int(found[1]) > 254:
            return f"'{one}' is not a user's number (0 to 254) and consent code (0 to 9999), such as '2:4711'"
    return None


@dataclass(frozen=True, slots=True)
class CuffSettings:
    """A cuff, by its address, that tells its records only after it has heard its user's consent code."""

    user: int | None = key(None, "The cuff's number of the user whose records are asked for.", at_least=0, at_most=254)
    consent_code: int | None = key(None, "The code that the cuff shows for this user.", at_least=0, at_most=9999)
    more_users: tuple[str, ...] = key((), "Further users of it, each as 'NUMBER:CODE'.", check=_users_problem)

    @property
    def users(self) -> tuple[tuple[int, int], ...]:
        """Each user's number and consent code."""
        first = () if self.user is None or self.consent_code is None else ((self.user, self.consent_code),)
        further = (one.split(":") for one in self.more_users)
        return (*first, *((int(user), int(code)) for user, code in further))


@dataclass(frozen=True, slots=True)
class RelaySettings:
    """A receiver to which readings are sent on as they come."""

    kind: RelayKind = key(RelayKind("fhir"), "What it is.")
    url: str = key("", "Where it is: https://…, postgresql://…/DATABASE or mqtts://…")
    user: str = key("", "User name there (PostgreSQL, MQTT).")
    token_file: Path | None = key(None, "A file that holds the bearer token (FHIR).")
    password_file: Path | None = key(None, "A file that holds the password, or the key of a webhook.")
    token_url: str = key("", "Where a token is given for an assertion that our key signs (FHIR).")
    client_id: str = key("", "How we are known there.")
    key_file: Path | None = key(None, "Our private key: RSA, or EC on P-384, as PEM.")
    key_id: str = key("", "What the receiver calls that key.")
    scope: str = key("system/*.cruds", "What the token is to allow.")
    ca_file: Path | None = key(None, "Certificates to trust instead of the system's.")
    people: tuple[str, ...] = key((), "Only these people's readings; everybody's if empty.")
    unassigned: bool = key(False, "Whether readings that are nobody's go there too.")
    averages: bool = key(False, "Whether each person's average by their plan goes there too (FHIR).")
    report: bool = key(False, "Whether the page for the chart goes with it (FHIR).")
    topic: str = key("quietcuff", "Where all topics begin (MQTT).", check=_topic)
    last: bool = key(False, "Whether each person's newest reading stays retained (MQTT).")
    discovery: str = key("", "Where a home automation server looks for what there is (MQTT).", check=_prefix)
    batch: int = key(0, "Readings at once, at most; 0: what is usual with its kind.", at_least=0, at_most=5000)
    timeout_s: float = key(30.0, "Seconds for a whole exchange, to begin with.", at_least=1, at_most=600)


@dataclass(frozen=True, slots=True)
class PageSettings:
    """The station's web page. On any address but this machine's own it speaks TLS."""

    address: str = key("127.0.0.1", "Where it listens; 0.0.0.0 or an address of the network lets others in.")
    port: int = key(8140, "Its port.", at_least=1, at_most=65535)
    name: str = key("", "The name by which others reach this machine, such as 'station.local'.")
    certificate: Path | None = key(None, "A certificate of your own; else one is made at first use.")
    certificate_key: Path | None = key(None, "That certificate's key.")
    idle_minutes: float = key(10.0, "Started by its socket, it ends after so many quiet minutes. 0: never.", at_least=0)


@dataclass(frozen=True, slots=True)
class Config:
    station: StationSettings = field(default_factory=StationSettings)
    radio: RadioSettings = field(default_factory=RadioSettings)
    store: StoreSettings = field(default_factory=StoreSettings)
    backup: BackupSettings = field(default_factory=BackupSettings)
    retention: RetentionSettings = field(default_factory=RetentionSettings)
    notices: NoticesSettings = field(default_factory=NoticesSettings)
    mqtt: MqttSettings = field(default_factory=MqttSettings)
    page: PageSettings = field(default_factory=PageSettings)
    relay: Mapping[str, RelaySettings] = field(default_factory=dict)
    people: Mapping[str, PersonSettings] = field(default_factory=dict)
    cuffs: Mapping[str, CuffSettings] = field(default_factory=dict)  # by address
    protocols: Mapping[str, Any] = field(default_factory=dict)  # of collector.numbers.rules.Protocol
    source: Path | None = None  # the file it was read from
