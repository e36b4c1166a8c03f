"""HTTPS with a certificate that the station makes itself: a phone gives its position to HTTPS pages only.

Nobody vouches for it, so a browser asks once whether to go on; the fingerprint that the station prints is
what to compare. A profile of RFC 5280 with the names of RFC 6125: every name and address of this machine.
"""

from __future__ import annotations

import datetime
import ipaddress
import os
import socket
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

VALID_DAYS = 397  # browsers refuse longer ones (CA/Browser Forum, baseline requirements 6.3.2)
RENEW_DAYS = 30


class CertificateError(Exception):
    """It can be neither read nor made; the message says why."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """Two PEM files and what a reader compares: SHA-256 of the certificate, in pairs of digits."""

    certificate: Path
    key: Path
    fingerprint: str


def own_certificate(beside: Path, names: Iterable[str], now: datetime.datetime) -> Certificate:
    """The certificate beside the plan: the one that is there if it still fits, else a new one.

    `names`: host names and addresses that it must be good for. CertificateError.
    """
    wanted = sorted(set(names))
    files = beside.with_suffix(".certificate.pem"), beside.with_suffix(".certificate-key.pem")
    try:
        held = _read(*files)
        if held is None or not _fits(held, wanted, now):
            held = _make(*files, wanted, now)
    except (OSError, ValueError) as error:
        raise CertificateError(f"{files[0]}: {error}") from error
    digest = held.fingerprint(SHA256()).hex(":").upper()
    return Certificate(*files, digest)


def own_names() -> set[str]:
    """The names and addresses by which other devices reach this machine."""
    name = socket.gethostname()
    found = {"localhost", "127.0.0.1", name, f"{name.split('.')[0]}.local"}
    return found | own_addresses()


def own_addresses() -> set[str]:
    """Addresses of this machine on its networks; no packet is sent to find them."""
    found = set()
    for family, far in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        with socket.socket(family, socket.SOCK_DGRAM) as probe:  # addresses of RFC 5737, RFC 3849
            try:
                probe.connect((far, 9))
            except OSError:
                continue
            found.add(probe.getsockname()[0])
    try:
        entries = socket.getaddrinfo(socket.gethostname(), None, type=socket.SOCK_STREAM)
    except OSError:
        entries = []
    found |= {str(entry[4][0]).split("%")[0] for entry in entries}
    return {address for address in found if not ipaddress.ip_address(address).is_loopback}


def _read(certificate_path: Path, key_path: Path) -> x509.Certificate | None:
    """None where there is no whole pair: none yet, or the power went while it was written."""
    try:
        held = x509.load_pem_x509_certificate(certificate_path.read_bytes())
        key = load_pem_private_key(key_path.read_bytes(), None)
    except (FileNotFoundError, ValueError):
        return None
    return held if key.public_key() == held.public_key() else None


def _fits(held: x509.Certificate, names: list[str], now: datetime.datetime) -> bool:
    if held.not_valid_after_utc - now < datetime.timedelta(days=RENEW_DAYS):
        return False
    try:
        known = held.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return False
    return set(_general(names)) <= set(known)


def _make(
    certificate_path: Path, key_path: Path, names: list[str], now: datetime.datetime
) -> x509.Certificate:
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Leeward station")])
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))  # phones' clocks differ
        .not_valid_after(now + datetime.timedelta(days=VALID_DAYS - 1))
        .add_extension(x509.SubjectAlternativeName(_general(names)), critical=False)
        # a phone that is made to trust it must not trust what else this key might sign
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, SHA256())
    )
    secret = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    descriptor = os.open(key_path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(secret)
    certificate_path.write_bytes(made.public_bytes(Encoding.PEM))
    return made


def _general(names: Iterable[str]) -> list[x509.GeneralName]:
    general: list[x509.GeneralName] = []
    for name in names:
        try:
            general.append(x509.IPAddress(ipaddress.ip_address(name)))
        except ValueError:
            general.append(x509.DNSName(name))
    return general
