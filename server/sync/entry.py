"""What one station tells another: receptions and commands as bytes, in lanes that cannot be altered.

A lane is all that one run of a station had from one of its sources, numbered from 1. Each entry's hash takes
in the one before it, and the station signs the hash at the end of what it writes (Ed25519, RFC 8032): so a
signature speaks for every entry up to it, whoever carries it on. Of an entry that was lost or altered on a
disk the hash alone is carried on: the lane goes on behind it, and the entry proves itself when it comes.
"""

from __future__ import annotations

import hashlib
import math
import re
import struct
from collections.abc import Iterable
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)

from decoders.wires import WIRES
from server.flight.inputs import COMMAND_KINDS, Command, Reception

Entry = Reception | Command


@dataclass(frozen=True, slots=True)
class Missing:
    """In the place of an entry that whoever tells has no more: the lane's hash after it."""

    chain: bytes


Told = Entry | Missing

MAX_PAYLOAD_BYTES = 4_000_000
_MAX_ENTRIES = 1_000  # taking them must not hold the loop; `Ledger.chunk` gives fewer
_MAX_NAME_BYTES = 1_000  # more than a browser may say: 200 characters, of up to 4 bytes
_RECEPTION, _COMMAND, _MISSING = b"R", b"C", b"M"
_CHAIN_BYTES = 32
_HEAD = struct.Struct(">cqBB")  # kind, heard_at_ms, lengths of source and wire
_COMMAND_HEAD = struct.Struct(">cdBHBB")  # kind, at_s, lengths of kind, name and station, placed
_PLACE = struct.Struct(">dd")
_CHUNK_HEAD = struct.Struct(">32sBQH64s")  # station, length of source, first, entries, signature
_SOURCE = re.compile(r"[^\s\x00-\x1f\x7f]{0,80}")
_EARLIEST_MS, _LATEST_MS = 0, 4_102_444_800_000  # 1970 to 2100


class ChunkError(ValueError):
    """What came is no chunk, or not what its station signed."""


@dataclass(frozen=True, slots=True, order=True)
class Lane:
    """`station`: its public key, 32 bytes. `source`: as in its receptions; "" for its commands."""

    station: bytes
    source: str


@dataclass(frozen=True, slots=True)
class Chunk:
    """Consecutive entries of a lane, and the station's signature at the last of them."""

    lane: Lane
    first: int  # number of the first entry, from 1
    entries: tuple[Told, ...]
    signature: bytes

    @property
    def last(self) -> int:
        return self.first + len(self.entries) - 1


def beginning(lane: Lane) -> bytes:
    """The hash before the first entry."""
    return hashlib.sha256(b"leeward lane 1\0" + lane.station + lane.source.encode()).digest()


def link(before: bytes, entry: Told) -> bytes:
    """The hash after one more entry."""
    if isinstance(entry, Missing):
        return entry.chain
    return hashlib.sha256(before + pack(entry)).digest()


def sign(key: Ed25519PrivateKey, lane: Lane, last: int, chain: bytes) -> bytes:
    """The station's word for all entries up to `last`."""
    return key.sign(_signed(lane, last, chain))


def verify(lane: Lane, last: int, chain: bytes, signature: bytes) -> None:
    """ChunkError unless the lane's station signed exactly that."""
    try:
        Ed25519PublicKey.from_public_bytes(lane.station).verify(
            signature, _signed(lane, last, chain)
        )
    except (InvalidSignature, ValueError) as error:
        raise ChunkError("the signature does not fit what was sent") from error


def _signed(lane: Lane, last: int, chain: bytes) -> bytes:
    return b"leeward head 1\0" + struct.pack(">Q", last) + chain + lane.source.encode()


def pack(entry: Told) -> bytes:
    """One entry as bytes; equal entries give equal bytes."""
    if isinstance(entry, Missing):
        return _MISSING + entry.chain
    if isinstance(entry, Reception):
        source, wire = entry.source.encode(), entry.wire.encode()
        head = _HEAD.pack(_RECEPTION, entry.heard_at_ms, len(source), len(wire))
        return head + source + wire + entry.payload
    kind, name, station = (text.encode() for text in (entry.kind, entry.name, entry.station))
    placed = entry.latitude_deg is not None and entry.longitude_deg is not None
    head = _COMMAND_HEAD.pack(_COMMAND, entry.at_s, len(kind), len(name), len(station), placed)
    place = _PLACE.pack(entry.latitude_deg, entry.longitude_deg) if placed else b""
    return head + kind + name + station + place + entry.flight.encode()


def unpack(packed: bytes) -> Told:
    """The entry of those bytes. ChunkError: it is none, or holds what cannot be."""
    try:
        if packed[:1] == _MISSING and len(packed) == 1 + _CHAIN_BYTES:
            return Missing(packed[1:])
        if packed[:1] == _RECEPTION:
            return _reception(packed)
        if packed[:1] == _COMMAND:
            return _command(packed)
    except (struct.error, UnicodeDecodeError) as error:
        raise ChunkError(f"an entry cannot be read: {error}") from error
    raise ChunkError("an entry of no known kind")


def _reception(packed: bytes) -> Reception:
    _, heard_at_ms, source_length, wire_length = _HEAD.unpack_from(packed)
    source, wire, payload = _cut(packed[_HEAD.size :], source_length, wire_length)
    name, kind = source.decode(), wire.decode()
    if kind not in WIRES:
        raise ChunkError(f"wire {kind!r} is none of {', '.join(WIRES)}")
    if not name or not _SOURCE.fullmatch(name):
        raise ChunkError(f"{name!r} is no name of a source")
    if not _EARLIEST_MS <= heard_at_ms <= _LATEST_MS:
        raise ChunkError(f"heard at {heard_at_ms} ms: no time of this century")
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise ChunkError(f"a payload of {len(payload)} bytes, at most {MAX_PAYLOAD_BYTES}")
    return Reception(heard_at_ms, name, kind, payload)


def _command(packed: bytes) -> Command:
    _, at_s, kind_length, name_length, station_length, placed = _COMMAND_HEAD.unpack_from(packed)
    rest = packed[_COMMAND_HEAD.size :]
    told, name, station, place = _cut(rest, kind_length, name_length, station_length)
    kind = told.decode()
    if kind not in COMMAND_KINDS:
        raise ChunkError(f"{told!r} is no command")
    latitude_deg = longitude_deg = None
    flight = place
    if placed:
        latitude_deg, longitude_deg = _PLACE.unpack_from(place)
        flight = place[_PLACE.size :]
        if not (abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 180.0):
            raise ChunkError("a command with a place that is not on Earth")
    if not (math.isfinite(at_s) and 0.0 <= 1000.0 * at_s <= _LATEST_MS):
        raise ChunkError("a command at no time of this century")
    if max(len(name), len(flight)) > _MAX_NAME_BYTES or not _SOURCE.fullmatch(station.decode()):
        raise ChunkError("a command with a name that cannot be")
    return Command(
        at_s, kind, name.decode(), latitude_deg, longitude_deg, station.decode(), flight.decode()
    )


def _cut(data: bytes, *lengths: int) -> list[bytes]:
    """Leading parts of these lengths, and the rest. ChunkError when there is too little."""
    parts = []
    for length in lengths:
        if len(data) < length:
            raise ChunkError("an entry ends too early")
        parts.append(data[:length])
        data = data[length:]
    return [*parts, data]


def pack_chunk(chunk: Chunk) -> bytes:
    source = chunk.lane.source.encode()
    head = _CHUNK_HEAD.pack(
        chunk.lane.station, len(source), chunk.first, len(chunk.entries), chunk.signature
    )
    return head + source + b"".join(_framed(pack(entry)) for entry in chunk.entries)


def unpack_chunk(data: bytes) -> Chunk:
    """ChunkError when it is none. Whether its station signed it is for `verify` to say."""
    try:
        station, source_length, first, count, signature = _CHUNK_HEAD.unpack_from(data)
        source, rest = _cut(data[_CHUNK_HEAD.size :], source_length)
        lane = Lane(station, source.decode())
    except (struct.error, UnicodeDecodeError) as error:
        raise ChunkError(f"no chunk: {error}") from error
    if not 0 < count <= _MAX_ENTRIES or not 0 < first < 2**53 or not _SOURCE.fullmatch(lane.source):
        raise ChunkError("a chunk with impossible numbers")
    entries = tuple(unpack(packed) for packed in _unframed(rest, count))
    for entry in entries:
        spoken = entry.source if isinstance(entry, Reception) else ""
        if spoken != lane.source and not isinstance(entry, Missing):
            raise ChunkError(f"an entry of {spoken!r} in the lane of {lane.source!r}")
    return Chunk(lane, first, entries, signature)


def _framed(packed: bytes) -> bytes:
    return struct.pack(">I", len(packed)) + packed


def _unframed(data: bytes, count: int) -> Iterable[bytes]:
    at = 0
    for _ in range(count):
        if len(data) < at + 4:
            raise ChunkError("a chunk ends too early")
        (length,) = struct.unpack_from(">I", data, at)
        at += 4
        if len(data) < at + length:
            raise ChunkError("an entry ends too early")
        yield data[at : at + length]
        at += length
    if at < len(data):
        raise ChunkError("a chunk with something behind its end")
