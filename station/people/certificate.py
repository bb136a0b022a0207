"""A certificate that the station signs itself, for a shop that has no authority of its own."""

import ipaddress
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from station.errors import InputError

DAYS = 825
"""Longer than this some browsers take no server's certificate, even one that was trusted by hand (from memory)."""
EARLIER = timedelta(days=1)
"""A Pi without a network may be behind."""
_NAME = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)(\.(?!-)[a-z0-9-]{1,63}(?<!-))*")


@dataclass(frozen=True)
class Made:
    """fingerprint: SHA-256 of the certificate, as browsers show it."""

    certificate: Path
    key: Path
    fingerprint: str
    valid_until: str


def make(name: str, also: Sequence[str], folder: Path) -> Made:
    """Make a key on the curve P-256 and its certificate, as ``name.crt`` and ``name.key`` in a folder.

    Raises InputError for what is no name or address, and where such files are there already; OSError.
    """
    names = [_general(text) for text in (name, *also)]
    certificate_path, key_path = folder / f"{name.lower()}.crt", folder / f"{name.lower()}.key"
    for path in (certificate_path, key_path):
        if path.exists():
            raise InputError(f"{path} is there already. Move it away first; a key is never written over.")
    key = ec.generate_private_key(ec.SECP256R1())
    now = datetime.now(UTC)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name.lower()[:64])])
    until = now + timedelta(days=DAYS)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - EARLIER)
        .not_valid_after(until - EARLIER)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    folder.mkdir(parents=True, exist_ok=True)
    _write(
        key_path,
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        ),
        0o600,
    )
    _write(certificate_path, certificate.public_bytes(serialization.Encoding.PEM), 0o644)
    return Made(
        certificate_path,
        key_path,
        certificate.fingerprint(hashes.SHA256()).hex(":").upper(),
        f"{until - EARLIER:%Y-%m-%d}",
    )


def _general(text: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(text))
    except ValueError:
        if _NAME.fullmatch(text.lower()) is None or len(text) > 253:
            raise InputError(
                f"{text!r} is no name and no address of a station; write one such as bay-1.local or 192.0.2.10."
            ) from None
        return x509.DNSName(text.lower())


def _write(path: Path, content: bytes, mode: int) -> None:
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode)
    with os.fdopen(file, "wb") as out:
        os.fchmod(out.fileno(), mode)
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
