"""The talk between two stations as bytes, without a socket: who are you, then sealed messages.

Both prove that they know the shared key (HMAC-SHA256 over both nonces and names) without saying it; from
it and the nonces come the keys of this one talk (HKDF, RFC 5869). Each message is packed (zlib, one
stream a talk, so that what was said before shortens what comes), cut into records of a bounded size and
sealed (ChaCha20-Poly1305, RFC 8439, numbered): nobody on the way reads, alters, repeats or leaves out.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from server.sync.entry import Lane

VERSION = 1
RECORD_BYTES = 48_000  # below what the web server takes as one message
MAX_MESSAGE_BYTES = 8_000_000
_NONCE_BYTES = 16
_MORE, _LAST = b"\x01", b"\x00"


class TalkError(Exception):
    """The other side is none of ours, or not what it says; the message is for the crew."""


@dataclass(frozen=True, slots=True)
class Party:
    """One end of a talk."""

    station: bytes  # public key
    name: str
    flight: str


def key_id(key: str) -> str:
    """Which of several shared keys is meant, without saying it."""
    return hashlib.sha256(b"leeward shared key\0" + key.encode()).hexdigest()[:16]


class Caller:
    """The end that calls: `hello`, then `answer(challenge)` gives the proof and the sealed line."""

    def __init__(self, me: Party, key: str) -> None:
        self._me, self._key = me, key
        self._nonce = secrets.token_bytes(_NONCE_BYTES)

    def hello(self) -> str:
        return json.dumps(
            {"leeward": VERSION, "key": key_id(self._key), "nonce": self._nonce.hex()}
            | _describe(self._me)
        )

    def answer(self, challenge: str) -> tuple[str, Party, Sealed]:
        """TalkError when the other side does not know the key, or follows another flight."""
        said = _read(challenge)
        other, theirs = _party(said), _nonce(said)
        shared = _Shared(self._key, self._nonce, theirs, self._me, other)
        shared.check(said, b"answers")
        _same_flight(self._me, other)
        proof = json.dumps({"proof": shared.proof(b"calls")})
        return proof, other, Sealed(shared.secret(b"calls"), shared.secret(b"answers"))


class Answerer:
    """The end that is called: `challenge(hello)`, then `accept(proof)` gives the sealed line."""

    def __init__(self, me: Party, keys: Mapping[str, str]) -> None:
        """`keys`: shared keys by their key_id."""
        self._me, self._keys = me, keys
        self._nonce = secrets.token_bytes(_NONCE_BYTES)
        self._shared: _Shared | None = None
        self._other: Party | None = None
        self.key_id = ""

    def challenge(self, hello: str) -> str:
        said = _read(hello)
        if said.get("leeward") != VERSION:
            raise TalkError("another version of Leeward calls: let all cars have the same")
        key = self._keys.get(str(said.get("key")))
        if key is None:
            raise TalkError("calls with a key that is not in this plan")
        self.key_id = key_id(key)
        self._other = _party(said)
        self._shared = _Shared(key, _nonce(said), self._nonce, self._other, self._me)
        proof = self._shared.proof(b"answers")
        return json.dumps({"nonce": self._nonce.hex(), "proof": proof} | _describe(self._me))

    def accept(self, proof: str) -> tuple[Party, Sealed]:
        assert self._shared is not None
        assert self._other is not None
        self._shared.check(_read(proof), b"calls")
        _same_flight(self._me, self._other)
        secret = self._shared.secret
        return self._other, Sealed(secret(b"answers"), secret(b"calls"))


class _Shared:
    """What both ends know once the nonces are said."""

    def __init__(
        self, key: str, calls: bytes, answers: bytes, caller: Party, called: Party
    ) -> None:
        parties = json.dumps([_describe(caller), _describe(called)]).encode()
        self._salt = calls + answers + hashlib.sha256(parties).digest()
        self._key = key.encode()

    def secret(self, purpose: bytes) -> bytes:
        return HKDF(SHA256(), 32, self._salt, b"leeward talk 1 " + purpose).derive(self._key)

    def proof(self, side: bytes) -> str:
        return hmac.new(self.secret(b"proof"), side, hashlib.sha256).hexdigest()

    def check(self, said: Mapping[str, Any], side: bytes) -> None:
        if not hmac.compare_digest(str(said.get("proof")).encode(), self.proof(side).encode()):
            raise TalkError("the other side does not know the shared key")


class Sealed:
    """Messages in and out of an open talk. Order matters: a lost record ends the talk."""

    def __init__(self, sending: bytes, receiving: bytes) -> None:
        self._out, self._in = ChaCha20Poly1305(sending), ChaCha20Poly1305(receiving)
        self._sent = self._received = 0
        self._packer = zlib.compressobj(9)
        self._unpacker = zlib.decompressobj()
        self._parts = bytearray()

    def seal(self, message: bytes) -> list[bytes]:
        """The records that carry a message."""
        packed = self._packer.compress(message) + self._packer.flush(zlib.Z_SYNC_FLUSH)
        cuts = range(0, len(packed), RECORD_BYTES)
        records = []
        for start in cuts:
            mark = _LAST if start == cuts[-1] else _MORE
            part = mark + packed[start : start + RECORD_BYTES]
            records.append(self._out.encrypt(_counter(self._sent), part, None))
            self._sent += 1
        return records

    def open(self, record: bytes) -> bytes | None:
        """The message that a record completes, if it does. TalkError ends the talk."""
        try:
            part = self._in.decrypt(_counter(self._received), record, None)
        except InvalidTag as error:
            raise TalkError("a message was altered on the way, or one is missing") from error
        self._received += 1
        self._parts += part[1:]
        if len(self._parts) > MAX_MESSAGE_BYTES:
            raise TalkError("a message without end")
        if part[:1] == _MORE:
            return None
        packed, self._parts = bytes(self._parts), bytearray()
        try:
            message = self._unpacker.decompress(packed, MAX_MESSAGE_BYTES)
        except zlib.error as error:
            raise TalkError("a message cannot be unpacked") from error
        if self._unpacker.unconsumed_tail:
            raise TalkError("a message without end")
        return message


def pack_have(have: Mapping[Lane, int], names: Mapping[bytes, str]) -> bytes:
    """How far each lane goes here, and what the stations call themselves."""
    lanes = [[lane.station.hex(), lane.source, last] for lane, last in have.items()]
    return json.dumps({"lanes": lanes, "names": {k.hex(): n for k, n in names.items()}}).encode()


def unpack_have(message: bytes) -> tuple[dict[Lane, int], dict[bytes, str]]:
    """TalkError when it is none."""
    said = _read(message)
    try:
        lanes = {
            Lane(_station(station), str(source)): int(last)
            for station, source, last in said["lanes"]
        }
        names = {_station(key): _name(name) for key, name in said["names"].items()}
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise TalkError(f"the other side's list cannot be read: {error!r}") from error
    return lanes, names


def _counter(number: int) -> bytes:
    return number.to_bytes(12, "big")


def _read(text: str | bytes) -> dict[str, Any]:
    try:
        said = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise TalkError("the other side does not speak as a station does") from error
    if not isinstance(said, dict):
        raise TalkError("the other side does not speak as a station does")
    if "problem" in said:
        words = str(said["problem"])[:200]  # of whoever is there: nothing that moves a terminal
        raise TalkError("".join(c if c.isprintable() else "?" for c in words))
    return said


def _describe(party: Party) -> dict[str, str]:
    return {"station": party.station.hex(), "name": party.name, "flight": party.flight}


def _party(said: Mapping[str, Any]) -> Party:
    try:
        return Party(_station(said["station"]), _name(said["name"]), str(said["flight"])[:200])
    except (KeyError, TypeError, ValueError) as error:
        raise TalkError("the other side does not say who it is") from error


def _nonce(said: Mapping[str, Any]) -> bytes:
    try:
        nonce = bytes.fromhex(said["nonce"])
    except (KeyError, TypeError, ValueError) as error:
        raise TalkError("the other side does not speak as a station does") from error
    if len(nonce) != _NONCE_BYTES:
        raise TalkError("the other side does not speak as a station does")
    return nonce


def _station(text: str) -> bytes:
    station = bytes.fromhex(text)
    if len(station) != 32:
        raise ValueError("a public key of 32 bytes expected")
    return station


def _name(text: Any) -> str:
    name = str(text)
    if not 0 < len(name) <= 40 or not name.isprintable() or " " in name or "/" in name:
        raise ValueError(f"{name[:40]!r} is no name of a station")
    return name


def _same_flight(mine: Party, other: Party) -> None:
    if mine.flight != other.flight:
        raise TalkError(f"{other.name} follows {other.flight!r}, this plan {mine.flight!r}")
