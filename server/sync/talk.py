"""The talk between two stations as bytes, without a socket: a handshake, who are you, then sealed messages.

The handshake is Noise's (`noise`) with the shared key. Then both say who they are, and sign the hash of the
handshake with the key of their lanes: who knows the shared key can still not pose as another station. Each
message is packed (zlib, one stream a talk, so that what was said before shortens what comes), cut into
records of a bounded size and sealed: nobody on the way reads, alters, repeats or leaves out.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from server.sync.entry import Lane
from server.sync.noise import HandshakeState, NoiseError

VERSION = 2  # 1 had a handshake of its own
RECORD_BYTES = 48_000  # below what Noise and the web server take as one message
MAX_MESSAGE_BYTES = 8_000_000
_PROLOGUE = b"leeward link 2"
_MORE, _LAST = b"\x01", b"\x00"
OTHER_VERSION = "another version of Leeward: let all cars have the same"


class TalkError(Exception):
    """The other side is none of ours, or not what it says; the message is for the crew.

    `name`: who it says that it is, where nothing proves it.
    """

    def __init__(self, words: str, name: str = "") -> None:
        super().__init__(words)
        self.name = name


@dataclass(frozen=True, slots=True)
class Party:
    """One end of a talk."""

    station: bytes  # public key
    name: str
    flight: str


@dataclass(frozen=True, slots=True)
class Identity:
    """What a station says of itself, and the key that proves it."""

    key: Ed25519PrivateKey
    name: str
    flight: str

    @property
    def party(self) -> Party:
        return Party(self.key.public_key().public_bytes_raw(), self.name, self.flight)


class Caller:
    """The end that calls: `hello`, then `accept(answer)` gives the sealed line."""

    def __init__(self, key: str) -> None:
        self._handshake = HandshakeState(_pre_shared(key), _PROLOGUE, initiates=True)

    def hello(self) -> str:
        return json.dumps({"leeward": VERSION, "noise": self._handshake.write().hex()})

    def accept(self, answer: str | bytes) -> Sealed:
        """TalkError when the other side does not know the key, or refuses."""
        if isinstance(answer, str):
            raise TalkError(_refusal(answer))
        try:
            self._handshake.read(answer)
        except NoiseError as error:
            raise TalkError("the other side does not know the shared key") from error
        return Sealed(self._handshake)


class Answerer:
    """The end that is called: `answer(hello)`, then `sealed` is the line."""

    def __init__(self, keys: Iterable[str]) -> None:
        self._keys = tuple(dict.fromkeys(keys))
        self.key = ""  # the one that the caller used

    def answer(self, hello: str | bytes) -> bytes:
        said = _read(hello)
        if said.get("leeward") != VERSION:
            raise _refuse_version(said)
        try:
            message = bytes.fromhex(said["noise"])
        except (KeyError, TypeError, ValueError) as error:
            raise _no_station() from error
        for key in self._keys:  # which of them is not said
            handshake = HandshakeState(_pre_shared(key), _PROLOGUE, initiates=False)
            try:
                handshake.read(message)
                answer = handshake.write()
            except NoiseError:
                continue
            self.key, self.sealed = key, Sealed(handshake)
            return answer
        raise TalkError("calls with a key that is not in this plan")


class Sealed:
    """Messages in and out of an open talk. Order matters: a lost record ends the talk."""

    def __init__(self, handshake: HandshakeState) -> None:
        self._out, self._in = handshake.split()
        self._hash, self._calls = handshake.hash, handshake.initiates
        self._packer = zlib.compressobj(9)
        self._unpacker = zlib.decompressobj()
        self._parts = bytearray()

    def seal(self, message: bytes) -> list[bytes]:
        """The records that carry a message."""
        packed = self._packer.compress(message) + self._packer.flush(zlib.Z_SYNC_FLUSH)
        cuts = range(0, len(packed), RECORD_BYTES)
        return [
            self._out.encrypt(
                (_LAST if start == cuts[-1] else _MORE) + packed[start : start + RECORD_BYTES]
            )
            for start in cuts
        ]

    def open(self, record: bytes) -> bytes | None:
        """The message that a record completes, if it does. TalkError ends the talk."""
        try:
            part = self._in.decrypt(record)
        except NoiseError as error:
            raise TalkError("a message was altered on the way, or one is missing") from error
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

    def introduce(self, me: Identity) -> bytes:
        """The first message of each side: who it is, signed for this talk alone."""
        party = me.party
        said = {"station": party.station.hex(), "name": party.name, "flight": party.flight}
        proof = me.key.sign(self._signed(self._calls, party))
        return json.dumps(said | {"proof": proof.hex()}).encode()

    def met(self, message: bytes) -> Party:
        """Who the other side is. TalkError: it does not say so, or is not."""
        said = _read(message)
        try:
            party = Party(_station(said["station"]), _name(said["name"]), str(said["flight"])[:200])
            key = Ed25519PublicKey.from_public_bytes(party.station)
            key.verify(bytes.fromhex(said["proof"]), self._signed(not self._calls, party))
        except InvalidSignature as error:
            raise TalkError("the other side is not the station that it says") from error
        except (KeyError, TypeError, ValueError) as error:
            raise TalkError("the other side does not say who it is") from error
        return party

    def _signed(self, calls: bool, party: Party) -> bytes:
        side = b"calls" if calls else b"answers"
        return b"\0".join(
            (b"leeward talk 2", side, self._hash, party.name.encode(), party.flight.encode())
        )


@dataclass(frozen=True, slots=True)
class Have:
    """How far each lane goes here, what stations call themselves, and which entries are not here."""

    lanes: Mapping[Lane, int]
    names: Mapping[bytes, str]
    lacks: Iterable[tuple[Lane, int]] = ()


def pack_have(have: Have) -> bytes:
    lanes = [[lane.station.hex(), lane.source, last] for lane, last in have.lanes.items()]
    lacks = [[lane.station.hex(), lane.source, n] for lane, n in have.lacks]
    names = {key.hex(): name for key, name in have.names.items()}
    return json.dumps({"lanes": lanes, "names": names, "lacks": lacks}).encode()


def unpack_have(message: bytes) -> Have:
    """TalkError when it is none."""
    said = _read(message)
    try:
        lanes = dict(map(_lane, said["lanes"]))
        names = {_station(key): _name(name) for key, name in said["names"].items()}
        return Have(lanes, names, tuple(map(_lane, said["lacks"])))
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise TalkError(f"the other side's list cannot be read: {error!r}") from error


def _lane(told: Any) -> tuple[Lane, int]:
    station, source, number = told
    return Lane(_station(station), str(source)), int(number)


def pack_refused(lane: Lane, problem: str) -> bytes:
    """A lane that is not taken, and why."""
    said = {"station": lane.station.hex(), "source": lane.source, "problem": problem}
    return json.dumps(said).encode()


def unpack_refused(message: bytes) -> tuple[Lane, str]:
    """TalkError when it is none."""
    said = _read(message)
    try:
        return Lane(_station(said["station"]), str(said["source"])), printable(str(said["problem"]))
    except (KeyError, TypeError, ValueError) as error:
        raise TalkError(f"the other side's refusal cannot be read: {error!r}") from error


def refusal(problem: TalkError) -> str:
    """What who called is told, before there is a sealed line; `Caller.accept` reads it."""
    return json.dumps({"problem": str(problem)})


def same_flight(mine: Party, other: Party) -> None:
    if mine.flight != other.flight:
        raise TalkError(f"{other.name} follows {other.flight!r}, this plan {mine.flight!r}")


def printable(words: str) -> str:
    """Words of whoever is there: nothing that moves a terminal."""
    return "".join(c if c.isprintable() else "?" for c in words[:200])


def _pre_shared(key: str) -> bytes:
    return hashlib.sha256(b"leeward link 2\0" + key.encode()).digest()


def _read(text: str | bytes) -> dict[str, Any]:
    try:
        said = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _no_station() from error
    if not isinstance(said, dict):
        raise _no_station()
    return said


def _refusal(text: str) -> str:
    said = _read(text)
    if "problem" not in said:
        raise _refuse_version(said) if "leeward" in said else _no_station()
    return printable(str(said["problem"]))


def _refuse_version(said: Mapping[str, Any]) -> TalkError:
    """Version 1 said its name in the clear."""
    if "leeward" not in said:
        return _no_station()
    try:
        name = _name(said.get("name", ""))
    except ValueError:
        name = ""
    return TalkError(f"calls with {OTHER_VERSION}", name)


def _no_station() -> TalkError:
    return TalkError("the other side does not speak as a station does")


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
