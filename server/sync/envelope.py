"""Chunks as an MQTT broker carries them: sealed with the key of the plan, on topics of their own.

ChaCha20-Poly1305 (RFC 8439) under a key derived for the flight (HKDF, RFC 5869): the broker's owner sees
when somebody speaks, not what.
"""

from __future__ import annotations

import hashlib
import secrets
import zlib

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from server.sync.entry import Chunk, ChunkError, Lane, pack_chunk, unpack_chunk

_MAX_UNPACKED_BYTES = 8_000_000
_NONCE_BYTES = 12


class Envelope:
    """Chunks as the broker carries them."""

    def __init__(self, key: str, flight: str) -> None:
        salt = hashlib.sha256(flight.encode()).digest()
        secret = HKDF(SHA256(), 32, salt, b"leeward broker 1").derive(key.encode())
        self._sealer = ChaCha20Poly1305(secret)

    def seal(self, topic: str, name: str, chunk: Chunk) -> bytes:
        said = name.encode()
        packed = zlib.compress(bytes([len(said)]) + said + pack_chunk(chunk), 9)
        nonce = secrets.token_bytes(_NONCE_BYTES)
        return nonce + self._sealer.encrypt(nonce, packed, topic.encode())

    def open(self, topic: str, payload: bytes) -> tuple[str, Chunk]:
        """The station's name and its chunk. ChunkError when it is none of this flight's."""
        try:
            packed = self._sealer.decrypt(
                payload[:_NONCE_BYTES], payload[_NONCE_BYTES:], topic.encode()
            )
            unpacker = zlib.decompressobj()
            message = unpacker.decompress(packed, _MAX_UNPACKED_BYTES)
        except (InvalidTag, ValueError, zlib.error) as error:
            raise ChunkError("a message that is not sealed with this plan's key") from error
        if unpacker.unconsumed_tail or not message:
            raise ChunkError("a message without end")
        end = 1 + message[0]
        try:
            return message[1:end].decode(), unpack_chunk(message[end:])
        except UnicodeDecodeError as error:
            raise ChunkError("a station without a name") from error


def topic_of(root: str, lane: Lane, first: int) -> str:
    """Where the chunk of a lane that begins with entry `first` is published."""
    source = hashlib.sha256(lane.source.encode()).hexdigest()[:8]
    return f"{root}/{lane.station.hex()[:16]}/{source}/{first}"
