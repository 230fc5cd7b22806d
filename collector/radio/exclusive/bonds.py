"""The bonds of an adapter of our own: one file, readable by its owner only, written whole or not at all.

The same file keeps the address and the identity key we show to cuffs, so that a bond outlives the dongle.
"""

import json
import logging
import os
import secrets
from pathlib import Path
from typing import Any

from bumble.hci import Address
from bumble.keys import KeyStore, PairingKeys

log = logging.getLogger("quietcuff.radio")

FILE = "bonds.json"


class Bonds(KeyStore):
    """Bumble's key store over one JSON file; without a folder it forgets at exit."""

    def __init__(self, folder: Path | None = None) -> None:
        self._path = folder / FILE if folder else None
        self.trouble: str | None = None  # what became of a file that could not be read
        stored = self._load()
        self.address = Address(stored.get("address") or str(Address.generate_static_address()))
        self.irk = bytes.fromhex(stored.get("irk") or secrets.token_hex(16))
        self._bonds: dict[str, dict[str, Any]] = stored.get("bonds") or {}
        self._earlier: dict[str, dict[str, Any]] = stored.get("earlier") or {}
        self.refused: set[str] = set()  # whose bond did not decrypt what they sent
        self.renewed: set[str] = set(stored.get("renewed") or ())  # replaced, which no visit has told yet
        if not stored:
            self._save()

    def _load(self) -> dict[str, Any]:
        if self._path is None or not self._path.exists():
            return {}
        try:
            stored = json.loads(self._path.read_text("utf-8"))
            Address(stored["address"])
            bytes.fromhex(stored["irk"])
            for keys in stored["bonds"].values():
                PairingKeys.from_dict(keys)
            return dict(stored)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            aside = self._path.with_suffix(".damaged")
            os.replace(self._path, aside)
            self.trouble = f"the bonds could not be read ({error}); kept as {aside.name}; pair cuffs again"
            log.error("%s", self.trouble)
            return {}

    def _save(self) -> None:
        if self._path is None:
            return
        stored = {
            "address": str(self.address),
            "irk": self.irk.hex(),
            "bonds": self._bonds,
            "earlier": self._earlier,
            "renewed": sorted(self.renewed),
        }
        self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        fresh = self._path.with_suffix(".new")
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump(stored, file, indent=1)
            file.flush()
            os.fsync(file.fileno())
        os.replace(fresh, self._path)
        folder = os.open(self._path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    async def get(self, name: str) -> PairingKeys | None:
        keys = self._bonds.get(name)
        return PairingKeys.from_dict(keys) if keys is not None else None

    async def get_all(self) -> list[tuple[str, PairingKeys]]:
        return [(name, PairingKeys.from_dict(keys)) for name, keys in self._bonds.items()]

    async def update(self, name: str, keys: PairingKeys) -> None:
        """A new bond. The one before is kept: who made the new one may not have been the cuff."""
        if name in self._bonds and self._bonds[name] != keys.to_dict():
            self._earlier[name] = self._bonds[name]
            self.renewed.add(name)
        self._bonds[name] = keys.to_dict()
        self.refused.discard(name)
        self._save()

    def exchange(self, name: str) -> bool:
        """Let the bond before hold again, and keep this one in its place; says whether there is one."""
        if name not in self._earlier or name not in self._bonds:
            return False
        self._bonds[name], self._earlier[name] = self._earlier[name], self._bonds[name]
        self.refused.discard(name)
        self._save()
        return True

    def note_renewed(self, name: str, renewed: bool) -> None:
        """Whether a bond replaced another, as far as somebody is still to be told."""
        if (name in self.renewed) is not renewed:
            self.renewed.symmetric_difference_update({name})
            self._save()

    async def delete(self, name: str) -> None:
        self._earlier.pop(name, None)
        if self._bonds.pop(name, None) is not None:
            self._save()
