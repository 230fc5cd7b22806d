"""The station's own certificate: made at first use, kept beside the store, made anew with the same key before it ends.

A browser warns of it once; whoever set the station up compares the fingerprint. 397 days, names as subjectAltName,
serverAuth: what browsers ask for (CA/Browser Forum Baseline Requirements, section 6.3.2; Apple, "Requirements for
trusted certificates in iOS 13 and macOS 10.15").
"""

import os
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from collector.service.machine_clock import believable

GOOD_FOR = timedelta(days=397)
RENEW_BEFORE = timedelta(days=30)
BACKDATED = timedelta(days=1)  # for a phone whose clock is slow


@dataclass(frozen=True, slots=True)
class Own:
    certificate: Path
    key: Path
    fingerprint: str  # SHA-256 of the certificate, as browsers show it
    ends: datetime


def folder_of(store: Path) -> Path:
    return store.parent / "page"


def own_certificate(folder: Path, names: tuple[str, ...], now: datetime | None = None) -> Own:
    """The certificate for these host names and addresses: the present one while it is good for them, else a new one.

    One that is good for more stays: the page's unit has no network and sees no address, `page invite` does.
    """
    now = now or datetime.now(UTC)
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    found = _present(certificate, key)
    if found is None or not _in_time(found, now) or not _wanted(names) <= _names(found):
        found = _make(folder, names, now)
    return Own(certificate, key, fingerprint(found), found.not_valid_after_utc)


def fingerprint(certificate: x509.Certificate) -> str:
    return certificate.fingerprint(hashes.SHA256()).hex(":").upper()


def read(file: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(file.read_bytes())


def _present(certificate: Path, key: Path) -> x509.Certificate | None:
    try:
        return read(certificate) if key.exists() else None
    except (OSError, ValueError):
        return None


def _in_time(found: x509.Certificate, now: datetime) -> bool:
    """One that begins later was made by a clock that ran ahead, unless the present one was not set yet."""
    begun = found.not_valid_before_utc <= now or not believable(now.timestamp())
    return begun and found.not_valid_after_utc >= now + RENEW_BEFORE


def _wanted(names: tuple[str, ...]) -> set[str]:
    return {*names, "localhost", "127.0.0.1", "::1"}


def _names(certificate: x509.Certificate) -> set[str]:
    names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    return {*names.get_values_for_type(x509.DNSName), *map(str, names.get_values_for_type(x509.IPAddress))}


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _make(folder: Path, names: tuple[str, ...], now: datetime) -> x509.Certificate:
    key = _key(folder / "key.pem")
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, names[0] if names else "localhost")])
    usage = x509.KeyUsage(
        digital_signature=True,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=False,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + GOOD_FOR)
        .add_extension(x509.SubjectAlternativeName(map(_general, sorted(_wanted(names)))), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    _put(folder / "certificate.pem", made.public_bytes(serialization.Encoding.PEM))
    return made


def _key(file: Path) -> ec.EllipticCurvePrivateKey:
    """The present key, so that it outlives its certificates, else a new one."""
    try:
        found = serialization.load_pem_private_key(file.read_bytes(), password=None)
    except (OSError, ValueError):
        found = None
    if isinstance(found, ec.EllipticCurvePrivateKey):
        return found
    key = ec.generate_private_key(ec.SECP256R1())
    form = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    _put(file, key.private_bytes(*form))
    return key


def _put(file: Path, octets: bytes) -> None:
    """Whole or not at all, and never readable by others, not even for a moment."""
    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    descriptor, temporary = tempfile.mkstemp(dir=file.parent)
    with os.fdopen(descriptor, "wb") as out:
        out.write(octets)
        out.flush()
        os.fsync(out.fileno())
    os.replace(temporary, file)
