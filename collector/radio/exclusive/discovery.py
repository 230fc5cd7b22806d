"""What a cuff offers, its Blood Pressure Service alone or everything; one that lists without end is cut short.

Procedures: Core Specification Vol 3 Part G 4.4.2 (a service by its UUID), 4.4.1 (all), 4.6.1 (characteristics), 4.7.1
(descriptors). Asked for no more than is needed, since every request is a round trip.
"""

from collections.abc import AsyncIterator
from dataclasses import replace

from bumble import att
from bumble.core import UUID
from bumble.gatt import GATT_CHARACTERISTIC_ATTRIBUTE_TYPE, GATT_PRIMARY_SERVICE_ATTRIBUTE_TYPE
from bumble.gatt_client import Client

from collector.radio.facts import MEASUREMENT_CHARACTERISTICS, Found, KnownCuff
from parsers.uuids import Uuid

MOST_SERVICES, MOST_ALIKE = 64, 4
MOST_CHARACTERISTICS = 256
FIRST = (
    Uuid.BLOOD_PRESSURE_SERVICE,
    Uuid.CURRENT_TIME_SERVICE,
    Uuid.USER_DATA_SERVICE,
    Uuid.DEVICE_INFORMATION_SERVICE,
    Uuid.BATTERY_SERVICE,
    Uuid.GENERIC_ATTRIBUTE_SERVICE,
)
OF_NO_USE = (0x1800,)  # generic access: the stack's own
PROPERTIES = {0x02: "read", 0x04: "write-without-response", 0x08: "write", 0x10: "notify", 0x20: "indicate"}
CONFIGURATION = UUID.from_16_bits(Uuid.CLIENT_CONFIGURATION)

Range = tuple[int, int]  # first and last handle


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


async def one_service(client: Client, service: int) -> tuple[Found, ...]:
    """What the service of that number offers, or several such: with the places where measurements are subscribed to.

    () where none bears the number. Two or three requests for one that fits one answer. Raises ATT_Error.
    """
    response = await client.send_request(
        att.ATT_Find_By_Type_Value_Request(
            starting_handle=0x0001,
            ending_handle=0xFFFF,
            attribute_type=GATT_PRIMARY_SERVICE_ATTRIBUTE_TYPE,
            attribute_value=UUID.from_16_bits(service).to_pdu_bytes(),
        )
    )
    if _over(response) or not response.handles_information:
        return ()
    found: list[Found] = []
    for start, end in response.handles_information[:MOST_ALIKE]:
        here = [one async for one in _characteristics(client, (start, end), service)]
        found += await _with_configurations(client, here, end)
    return tuple(found)


async def still_holds(client: Client, known: KnownCuff) -> bool:
    """Whether what an earlier visit found still stands where it stood, by one request. Raises ATT_Error.

    The database hash tells it (Core Vol 3 Part G 7.3); without one, that a configuration still stands where one did.
    """
    if known.database_hash is not None:
        response = await _read_by_type(client, (0x0001, 0xFFFF), UUID.from_16_bits(Uuid.DATABASE_HASH))
        return bool(response) and response[0][1] == known.database_hash
    places = [one.configuration for one in known.found if one.short in MEASUREMENT_CHARACTERISTICS]
    if not places or places[0] is None:
        return False
    return bool(await _read_by_type(client, (places[0], places[0]), CONFIGURATION))


async def everything(client: Client) -> tuple[Found, ...]:
    """Every characteristic of use, the most important services first. Raises ATT_Error."""
    found: list[Found] = []
    services = [one async for one in _services(client)]
    services.sort(key=lambda one: FIRST.index(one[1]) if one[1] in FIRST else len(FIRST))
    for place, short in services:
        if short in OF_NO_USE:
            continue
        if len(found) >= MOST_CHARACTERISTICS:
            break
        found += [one async for one in _characteristics(client, place, short)]
    return tuple(found)


async def configuration_of(client: Client, found: Found, end: int) -> int | None:
    """Handle of the client configuration between a value and `end`, None where there is none. Raises ATT_Error."""
    start = found.handle + 1
    while start <= end:
        response = await client.send_request(att.ATT_Find_Information_Request(starting_handle=start, ending_handle=end))
        if _over(response) or not response.information:
            return None
        for handle, uuid in response.information:
            if handle < start:
                return None  # nonsense
            if UUID.from_bytes(uuid) == GATT_CHARACTERISTIC_ATTRIBUTE_TYPE:
                return None  # the next characteristic begins
            if UUID.from_bytes(uuid) == CONFIGURATION:
                return int(handle)
            start = handle + 1
    return None


async def _with_configurations(client: Client, found: list[Found], end: int) -> tuple[Found, ...]:
    """Look for the place to subscribe at of every measurement characteristic."""
    complete = []
    for one, following in zip(found, [*found[1:], None], strict=True):
        if one.short in MEASUREMENT_CHARACTERISTICS and one.properties & {"indicate", "notify"}:
            last = following.handle - 2 if following is not None else end
            only = one.handle + 1 if last == one.handle + 1 else None  # it has to have one (Core Vol 3 Part G 3.3.3.3)
            one = replace(one, configuration=only or await configuration_of(client, one, last))
        complete.append(one)
    return tuple(complete)


async def _characteristics(client: Client, place: Range, service: int | None) -> AsyncIterator[Found]:
    start, end = place
    count = 0
    while start < end and count < MOST_CHARACTERISTICS:  # a declaration, and its value after it
        declarations = await _read_by_type(client, (start, end), GATT_CHARACTERISTIC_ATTRIBUTE_TYPE)
        if not declarations:
            return
        for declaration, value in declarations:
            if not start <= declaration <= end or len(value) not in (5, 19):
                return  # nonsense: make do with what came before
            uuid = UUID.from_bytes(value[3:])
            handle = int.from_bytes(value[1:3], "little")
            properties = frozenset(name for bit, name in PROPERTIES.items() if value[0] & bit)
            yield Found(uuid=long_of(uuid), short=short_of(uuid), handle=handle, properties=properties, service=service)
            count += 1
            start = max(declaration, handle) + 1


async def _read_by_type(client: Client, place: Range, uuid: UUID) -> list[tuple[int, bytes]]:
    """One request: attributes of a type with their values, as many as one answer holds."""
    start, end = place
    response = await client.send_request(
        att.ATT_Read_By_Type_Request(starting_handle=start, ending_handle=end, attribute_type=uuid)
    )
    return [] if _over(response) else list(response.attributes)


async def _services(client: Client) -> AsyncIterator[tuple[Range, int | None]]:
    """Primary services, as many as a cuff can sensibly have."""
    start, count = 0x0001, 0
    while start <= 0xFFFF and count < MOST_SERVICES:
        response = await client.send_request(
            att.ATT_Read_By_Group_Type_Request(
                starting_handle=start, ending_handle=0xFFFF, attribute_group_type=GATT_PRIMARY_SERVICE_ATTRIBUTE_TYPE
            )
        )
        if _over(response) or not response.attributes:
            return
        for handle, end, uuid in response.attributes:
            if not start <= handle <= end:
                return  # nonsense: make do with what came before
            yield (handle, end), short_of(UUID.from_bytes(uuid))
            start, count = end + 1, count + 1


def _over(response: att.ATT_PDU) -> bool:
    """Whether this answer is the end of the list. Raises ATT_Error for any other refusal."""
    if not isinstance(response, att.ATT_Error_Response):
        return False
    if response.error_code == att.ATT_ATTRIBUTE_NOT_FOUND_ERROR:
        return True
    raise att.ATT_Error(error_code=response.error_code)
