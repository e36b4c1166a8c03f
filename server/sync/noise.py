"""Noise_NNpsk0_25519_ChaChaPoly_SHA256 as bytes, without a socket: revision 34 of the Noise specification.

    -> psk, e
    <- e, ee

Both sides know one pre-shared key and nothing else of each other. The objects and their functions are those
of section 5; X25519 is RFC 7748, ChaCha20-Poly1305 RFC 8439, both of `cryptography`.
"""

from __future__ import annotations

import hashlib

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

NAME = b"Noise_NNpsk0_25519_ChaChaPoly_SHA256"
PATTERN = (("psk", "e"), ("e", "ee"))  # 7.5, with the modifier of 9.4
MAX_MESSAGE_BYTES = 65_535  # 3
TAG_BYTES = 16
_KEY_BYTES = _HASH_BYTES = 32
_LAST_NONCE = 2**64 - 1  # reserved, 5.1


class NoiseError(ValueError):
    """The message is none of this handshake or of this session, or comes at the wrong time."""


class CipherState:
    """5.1. Without a key what is given passes as it is."""

    def __init__(self, key: bytes | None = None) -> None:
        self._cipher = None if key is None else ChaCha20Poly1305(key)
        self.nonce = 0

    def encrypt(self, data: bytes, associated: bytes = b"") -> bytes:
        if self._cipher is None:
            return data
        sealed = self._cipher.encrypt(self._next(), data, associated)
        self.nonce += 1
        return sealed

    def decrypt(self, data: bytes, associated: bytes = b"") -> bytes:
        """NoiseError when it was altered; the nonce stays as it was then."""
        if self._cipher is None:
            return data
        try:
            opened = self._cipher.decrypt(self._next(), data, associated)
        except InvalidTag as error:
            raise NoiseError("altered, repeated or out of order") from error
        self.nonce += 1
        return opened

    def _next(self) -> bytes:
        """12.3: 32 bits of zeros, then the number, little-endian."""
        if self.nonce >= _LAST_NONCE:
            raise NoiseError("no nonce is left")
        return bytes(4) + self.nonce.to_bytes(8, "little")


class SymmetricState:
    """5.2: the chaining key, the hash of all that both sides have said, and a cipher."""

    def __init__(self) -> None:
        self.hash = self._chaining_key = _sha256(NAME)  # it is longer than a hash
        self._cipher = CipherState()

    def mix_key(self, material: bytes) -> None:
        self._chaining_key, key = self._derive(material, 2)
        self._cipher = CipherState(key)

    def mix_hash(self, data: bytes) -> None:
        self.hash = _sha256(self.hash + data)

    def mix_key_and_hash(self, material: bytes) -> None:
        self._chaining_key, hashed, key = self._derive(material, 3)
        self.mix_hash(hashed)
        self._cipher = CipherState(key)

    def encrypt_and_hash(self, data: bytes) -> bytes:
        sealed = self._cipher.encrypt(data, self.hash)
        self.mix_hash(sealed)
        return sealed

    def decrypt_and_hash(self, data: bytes) -> bytes:
        opened = self._cipher.decrypt(data, self.hash)
        self.mix_hash(data)
        return opened

    def split(self) -> tuple[CipherState, CipherState]:
        first, second = self._derive(b"", 2)
        return CipherState(first), CipherState(second)

    def _derive(self, material: bytes, count: int) -> list[bytes]:
        """4.3: HKDF of RFC 5869, the chaining key as salt and no information."""
        made = HKDF(SHA256(), count * _HASH_BYTES, self._chaining_key, b"").derive(material)
        return [made[n : n + _HASH_BYTES] for n in range(0, len(made), _HASH_BYTES)]


class HandshakeState:
    """5.3, for this one pattern. `hash` names the session when it is done (11.2)."""

    def __init__(
        self,
        pre_shared_key: bytes,
        prologue: bytes,
        *,
        initiates: bool,
        ephemeral: X25519PrivateKey | None = None,
    ) -> None:
        """`ephemeral` is given by published vectors alone: nobody uses one twice."""
        if len(pre_shared_key) != _KEY_BYTES:
            raise ValueError(f"a pre-shared key of {_KEY_BYTES} bytes expected")
        self.initiates = initiates
        self._psk = pre_shared_key
        self._ephemeral = ephemeral or X25519PrivateKey.generate()
        self._remote: X25519PublicKey | None = None
        self._done = 0  # messages
        self._symmetric = SymmetricState()
        self._symmetric.mix_hash(prologue)

    @property
    def hash(self) -> bytes:
        return self._symmetric.hash

    def write(self, payload: bytes = b"") -> bytes:
        """Our message of the pattern, which carries a payload."""
        message = b""
        for token in self._tokens(writes=True):
            if token == "e":
                public = self._ephemeral.public_key().public_bytes_raw()
                message += public
                self._mix_ephemeral(public)
            else:
                self._mix(token)
        message += self._symmetric.encrypt_and_hash(payload)
        if len(message) > MAX_MESSAGE_BYTES:
            raise NoiseError(f"a message of {len(message)} bytes, at most {MAX_MESSAGE_BYTES}")
        return message

    def read(self, message: bytes) -> bytes:
        """The payload of their message. NoiseError ends the handshake."""
        if not _KEY_BYTES + TAG_BYTES <= len(message) <= MAX_MESSAGE_BYTES:
            raise NoiseError(f"a message of {len(message)} bytes")
        rest = message
        for token in self._tokens(writes=False):
            if token == "e":
                public, rest = rest[:_KEY_BYTES], rest[_KEY_BYTES:]
                self._remote = X25519PublicKey.from_public_bytes(public)
                self._mix_ephemeral(public)
            else:
                self._mix(token)
        return self._symmetric.decrypt_and_hash(rest)

    def split(self) -> tuple[CipherState, CipherState]:
        """After the last message: what we send with, and what we receive with."""
        if self._done != len(PATTERN):
            raise NoiseError("the handshake is not done")
        first, second = self._symmetric.split()
        return (first, second) if self.initiates else (second, first)

    def _tokens(self, *, writes: bool) -> tuple[str, ...]:
        if self._done >= len(PATTERN) or writes != (self.initiates == (self._done % 2 == 0)):
            raise NoiseError("not the time for this message")
        self._done += 1
        return PATTERN[self._done - 1]

    def _mix_ephemeral(self, public: bytes) -> None:
        self._symmetric.mix_hash(public)
        self._symmetric.mix_key(public)  # 9.2: wherever a pattern has a pre-shared key

    def _mix(self, token: str) -> None:
        if token == "psk":
            self._symmetric.mix_key_and_hash(self._psk)
            return
        assert self._remote is not None
        try:
            self._symmetric.mix_key(self._ephemeral.exchange(self._remote))
        except ValueError as error:  # a point of low order gives zeros, 12.1
            raise NoiseError("no public key") from error


def _sha256(data: bytes) -> bytes:
    return hashlib.sha256(data).digest()
