"""What a cuff says about itself: Device Information and Battery.

Sources: GATT Specification Supplement, "System ID", "PnP ID", "Battery Level" and the string
characteristics of the Device Information Service.
"""

from dataclasses import dataclass

from construct import Bytes, Int8ul, Int16ul, Struct

from parsers.declaration import Layout
from parsers.text import printable

SYSTEM_ID = Struct("manufacturer" / Bytes(5), "organization" / Bytes(3))
PNP_ID = Struct("source" / Int8ul, "vendor" / Int16ul, "product" / Int16ul, "version" / Int16ul)
BATTERY_LEVEL = Struct("level" / Int8ul)
USER_INDEX = Struct("user_index" / Int8ul)
_SYSTEM_ID, _PNP_ID, _BATTERY_LEVEL, _USER_INDEX = map(Layout, (SYSTEM_ID, PNP_ID, BATTERY_LEVEL, USER_INDEX))

VENDOR_SOURCES = {1: "Bluetooth SIG", 2: "USB Implementers Forum"}


def parse_text(value: bytes) -> str:
    """A Device Information string (0x2A24 to 0x2A29), fit to show: see `text.printable`. Never fails."""
    return printable(value)


def build_text(text: str) -> bytes:
    """UTF-8 without terminator."""
    return text.encode("utf-8")


@dataclass(frozen=True, slots=True)
class SystemId:
    """0x2A23. raw: the eight octets as sent, lowest first by the book.

    Cuffs are found to send them in either order, so both readings are given and `raw` is what identifies.
    """

    raw: bytes
    trailing: bytes = b""

    @property
    def organization(self) -> int:
        """24 bits, the IEEE registration of the maker."""
        return int.from_bytes(self.raw[5:], "little")

    @property
    def eui(self) -> str:
        """EUI-64 by the book."""
        return self.raw[::-1].hex("-").upper()

    @property
    def eui_if_reversed(self) -> str:
        """EUI-64 of a cuff that sends the highest octet first."""
        return self.raw.hex("-").upper()


def parse_system_id(value: bytes) -> SystemId:
    """8 octets. Raises ParseError."""
    manufacturer, organization, trailing = _SYSTEM_ID.read(value)
    return SystemId(manufacturer + organization, trailing)


def build_system_id(system: SystemId) -> bytes:
    """Raises ValueError when `raw` is not eight octets."""
    if len(system.raw) != 8:
        raise ValueError("a System ID has eight octets")
    return _SYSTEM_ID.build({"manufacturer": system.raw[:5], "organization": system.raw[5:]}, system.trailing)


@dataclass(frozen=True, slots=True)
class PnpId:
    """0x2A50: who made it, which product, which version; `source` says who gave out the vendor number."""

    source: int
    vendor: int
    product: int
    version: int
    trailing: bytes = b""

    @property
    def version_text(self) -> str:
        """0xJJMN as JJ.M.N, decimal digits each (Device Information Service, PnP ID; from memory)."""
        return f"{self.version >> 8:x}.{self.version >> 4 & 15:x}.{self.version & 15:x}"


def parse_pnp_id(value: bytes) -> PnpId:
    """7 octets. Raises ParseError."""
    return PnpId(*_PNP_ID.read(value))


def build_pnp_id(pnp: PnpId) -> bytes:
    """Raises ValueError when a number does not fit."""
    return _PNP_ID.build(
        {"source": pnp.source, "vendor": pnp.vendor, "product": pnp.product, "version": pnp.version}, pnp.trailing
    )


@dataclass(frozen=True, slots=True)
class Battery:
    """0x2A19. level: as sent, above 100 is reserved."""

    level: int
    trailing: bytes = b""

    @property
    def percent(self) -> int | None:
        return self.level if self.level <= 100 else None


def parse_battery(value: bytes) -> Battery:
    """1 octet. Raises ParseError."""
    return Battery(*_BATTERY_LEVEL.read(value))


def build_battery(battery: Battery) -> bytes:
    """Raises ValueError when the level does not fit an octet."""
    return _BATTERY_LEVEL.build({"level": battery.level}, battery.trailing)


@dataclass(frozen=True, slots=True)
class UserIndex:
    """0x2A9A. index: 0 to 254 a registered user, 255 unknown."""

    index: int
    trailing: bytes = b""


def parse_user_index(value: bytes) -> UserIndex:
    """1 octet. Raises ParseError."""
    return UserIndex(*_USER_INDEX.read(value))


def build_user_index(user: UserIndex) -> bytes:
    """Raises ValueError when the index does not fit an octet."""
    return _USER_INDEX.build({"user_index": user.index}, user.trailing)
