"""The key that stations share, as it is used."""

from __future__ import annotations

import functools
import hashlib


@functools.cache
def stretched(key: str) -> str:
    """scrypt (RFC 7914) makes each guess of whoever listened dear.

    The salt is the same for all: two flights with one key must still be able to say that they differ.
    """
    return hashlib.scrypt(key.encode(), salt=b"leeward shared key 1", n=2**14, r=8, p=1).hex()
