"""A station's own signing key, kept beside its journal and belonging to that journal alone."""

from __future__ import annotations

import functools
import hashlib
import os
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from server.journal.database import Journal

_SUFFIX = ".station-key"


def station_key(journal: Journal, name: str) -> Ed25519PrivateKey:
    """The key that signs for this journal and this name; made at first, and for a journal begun again.

    What it signed is numbered: a key that began to count again, or under another name, would be
    refused by every station that heard it before. OSError when it can be neither read nor written. A
    journal in memory has a key that nobody keeps.
    """
    if journal.path == ":memory:":
        return Ed25519PrivateKey.generate()
    path = Path(journal.path).with_suffix(_SUFFIX)
    about = journal.about()
    signs = about.get("station") if about.get("station_name") == name else None
    try:
        key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(path.read_text().strip()))
        if signs == public_hex(key):
            return key
    except (FileNotFoundError, ValueError):
        pass  # none yet, or not readable as one; what was signed stays signed
    key = Ed25519PrivateKey.generate()
    _write_secret(path, key.private_bytes_raw().hex() + "\n")
    journal.describe(station=public_hex(key), station_name=name)
    return key


@functools.cache
def stretched(key: str) -> str:
    """A shared key as it is used: scrypt (RFC 7914) makes each guess of whoever listened dear.

    The salt is the same for all: two flights with one key must still be able to say that they differ.
    """
    return hashlib.scrypt(key.encode(), salt=b"leeward shared key 1", n=2**14, r=8, p=1).hex()


def public_hex(key: Ed25519PrivateKey) -> str:
    return key.public_key().public_bytes_raw().hex()


def _write_secret(path: Path, text: str) -> None:
    """For this user's eyes, and whole or not at all."""
    fresh = path.with_suffix(path.suffix + ".new")
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w") as file:
        file.write(text)
        file.flush()
        os.fsync(descriptor)
    fresh.replace(path)
