"""What a cuff offers, measurements first; one that lists without end is cut short."""

from bumble import att
from bumble.core import UUID
from bumble.gatt import GATT_PRIMARY_SERVICE_ATTRIBUTE_TYPE
from bumble.gatt_client import CharacteristicProxy, Client, ServiceProxy

from collector.radio.port import Found
from parsers.uuids import Uuid

MOST_SERVICES = 64
MOST_CHARACTERISTICS = 256
FIRST = (
    Uuid.BLOOD_PRESSURE_SERVICE,
    Uuid.CURRENT_TIME_SERVICE,
    Uuid.DEVICE_INFORMATION_SERVICE,
    Uuid.BATTERY_SERVICE,
    Uuid.USER_DATA_SERVICE,
)
OF_NO_USE = (0x1800, 0x1801)  # generic access and attribute: the stack's own
PROPERTIES = {0x02: "read", 0x04: "write-without-response", 0x08: "write", 0x10: "notify", 0x20: "indicate"}


def short_of(uuid: UUID) -> int | None:
    """The 16-bit form where there is one."""
    octets = uuid.to_bytes(force_128=True)
    return (
        int.from_bytes(octets[12:14], "little")
        if UUID.from_16_bits(int.from_bytes(octets[12:14], "little")).to_bytes(force_128=True) == octets
        else None
    )


def long_of(uuid: UUID) -> str:
    """The 128-bit form, lower case."""
    text = uuid.to_bytes(force_128=True)[::-1].hex()
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


async def discover(client: Client) -> tuple[tuple[Found, ...], dict[int, CharacteristicProxy[bytes]]]:
    """Every characteristic of use, and Bumble's own object for each handle. Raises ATT_Error."""
    client.services.clear()
    found: list[Found] = []
    proxies: dict[int, CharacteristicProxy[bytes]] = {}
    services = [(short_of(s.uuid), s) for s in await _services(client)]
    services.sort(key=lambda pair: FIRST.index(pair[0]) if pair[0] in FIRST else len(FIRST))
    for short, service in services:
        if short in OF_NO_USE:
            continue
        if len(found) >= MOST_CHARACTERISTICS:
            break
        for proxy in (await client.discover_characteristics([], service))[:MOST_CHARACTERISTICS]:
            properties = frozenset(name for bit, name in PROPERTIES.items() if int(proxy.properties) & bit)
            found.append(
                Found(
                    uuid=long_of(proxy.uuid),
                    short=short_of(proxy.uuid),
                    handle=proxy.handle,
                    properties=properties,
                    service=short,
                )
            )
            proxies[proxy.handle] = proxy
    return tuple(found), proxies


async def _services(client: Client) -> list[ServiceProxy]:
    """Primary services (Core Vol 3 Part G 4.4.1), as many as a cuff can sensibly have."""
    services: list[ServiceProxy] = []
    start = 0x0001
    while start <= 0xFFFF and len(services) < MOST_SERVICES:
        response = await client.send_request(
            att.ATT_Read_By_Group_Type_Request(
                starting_handle=start, ending_handle=0xFFFF, attribute_group_type=GATT_PRIMARY_SERVICE_ATTRIBUTE_TYPE
            )
        )
        if response.op_code == att.Opcode.ATT_ERROR_RESPONSE:
            if response.error_code == att.ATT_ATTRIBUTE_NOT_FOUND_ERROR:
                break
            raise att.ATT_Error(error_code=response.error_code)
        if not response.attributes:
            break
        for handle, end, uuid in response.attributes:
            if not start <= handle <= end:
                return services  # nonsense: make do with what came before
            services.append(ServiceProxy(client, handle, end, UUID.from_bytes(uuid)))  # type: ignore[no-untyped-call]
            start = end + 1
    return services
