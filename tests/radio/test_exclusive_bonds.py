"""The file of bonds: private, whole, and kept aside rather than lost when it cannot be read."""

from pathlib import Path

from bumble.hci import Address
from bumble.keys import PairingKeys

from collector.radio.exclusive.bonds import FILE, Bonds

PEER = "F0:F1:F2:F3:F4:F5"
KEYS = PairingKeys(
    address_type=Address.RANDOM_DEVICE_ADDRESS,
    ltk=PairingKeys.Key(bytes(16), True),
    irk=PairingKeys.Key(bytes(range(16))),
)


async def test_bonds_and_our_own_identity_outlive_the_process(tmp_path: Path) -> None:
    first = Bonds(tmp_path / "keys")
    await first.update(PEER, KEYS)
    second = Bonds(tmp_path / "keys")
    assert (second.address, second.irk) == (first.address, first.irk)
    again = await second.get(PEER)
    assert again is not None
    assert again.to_dict() == KEYS.to_dict()
    assert await second.get("nobody") is None
    assert [name for name, _ in await second.get_all()] == [PEER]
    assert (await second.get_resolving_keys())[0][0] == bytes(range(16))


async def test_the_file_is_its_owners_only(tmp_path: Path) -> None:
    bonds = Bonds(tmp_path / "keys")
    await bonds.update(PEER, KEYS)
    assert (tmp_path / "keys").stat().st_mode & 0o777 == 0o700
    assert [path.name for path in (tmp_path / "keys").iterdir()] == [FILE]
    assert (tmp_path / "keys" / FILE).stat().st_mode & 0o777 == 0o600


async def test_forgetting(tmp_path: Path) -> None:
    bonds = Bonds(tmp_path)
    await bonds.update(PEER, KEYS)
    await bonds.delete(PEER)
    await bonds.delete(PEER)
    assert await Bonds(tmp_path).get_all() == []


async def test_a_damaged_file_is_kept_and_told(tmp_path: Path) -> None:
    for damage in ("", "{", "[]", '{"address": "x", "irk": "00", "bonds": {}}', '{"address": "C0:00:00:00:00:01"}'):
        (tmp_path / FILE).write_text(damage)
        bonds = Bonds(tmp_path)
        assert bonds.trouble is not None
        assert "\n" not in bonds.trouble
        assert (tmp_path / "bonds.damaged").read_text() == damage
        await bonds.update(PEER, KEYS)
        assert Bonds(tmp_path).trouble is None


async def test_without_a_folder_nothing_is_written() -> None:
    bonds = Bonds()
    await bonds.update(PEER, KEYS)
    assert await bonds.get(PEER) is not None
