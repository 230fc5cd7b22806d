"""Sealing a file to a public key, in age's format (age-encryption.org/v1), by the library pyrage (extra `encrypt`).

Who finds the file cannot read it, and neither can the machine that sealed it.
"""

import os
from pathlib import Path
from typing import Any

from collector.service.config.settings import PRIVATE_KEY
from collector.store.writers import open_own, part_of

SUFFIX = ".age"


class SealError(Exception):
    """A file could not be sealed or opened; the text is one line for a person."""


def _pyrage() -> Any:
    try:
        import pyrage
    except ImportError:
        raise SealError("sealed backups need the extra 'encrypt': pip install 'quietcuff[encrypt]'") from None
    return pyrage


class Seal:
    """A public key that works. Raises SealError."""

    def __init__(self, key: str) -> None:
        self._pyrage = _pyrage()
        kind = self._pyrage.x25519 if key.startswith("age1") else self._pyrage.ssh
        try:
            self._recipient = kind.Recipient.from_str(key)
        except self._pyrage.RecipientError as error:
            raise SealError(f"encrypt_to under [backup] is no public key that works: {error}") from None

    def close(self, source: Path, target: Path) -> None:
        """Write the sealed file, readable by its owner only; it is there as a whole or not at all."""
        part = part_of(target)
        try:
            os.close(open_own(part, os.O_TRUNC | os.O_WRONLY))
            self._pyrage.encrypt_file(str(source), str(part), [self._recipient])
            with part.open("rb") as written:
                os.fsync(written.fileno())
            part.rename(target)
        except self._pyrage.EncryptError as error:
            raise SealError(f"{target}: cannot be sealed: {error}") from None
        finally:
            part.unlink(missing_ok=True)


def unseal(source: Path, target: Path, identity: Path | None) -> None:
    """Open a sealed file into `target`, which is there already and private. identity: the private key's file."""
    if identity is None:
        raise SealError(f"{source.name} is sealed; give the file with its private key: --identity KEYFILE")
    pyrage = _pyrage()
    try:
        text = identity.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SealError(f"{identity}: the private key cannot be read ({error})") from None
    keys = [line.strip() for line in text.splitlines() if line.strip().startswith(PRIVATE_KEY)]
    try:
        identities = [pyrage.x25519.Identity.from_str(key) for key in keys]
        pyrage.decrypt_file(str(source), str(target), identities or [pyrage.ssh.Identity.from_buffer(text.encode())])
    except pyrage.IdentityError:
        raise SealError(f"{identity}: holds no private key of age or SSH") from None
    except pyrage.DecryptError as error:
        raise SealError(f"{source}: this key does not open it ({error})") from None
    except OSError as error:  # also what the library says of a file that was cut or altered
        raise SealError(f"{source}: cut short or altered, so it is not used ({error})") from None
