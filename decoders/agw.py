"""Frames of the AGW TCP protocol of software TNCs ("AGWPE TCP/IP socket interface").

Rules of the state machine:

    header -- 36 bytes that can be one --> data     the length in them says how many bytes follow
    header -- anything else --> noise               counted, its head kept; one byte is skipped
    data   -- all have come --> header              one frame

Layout of the header, little-endian: port, three reserved bytes; kind (a letter), reserved; PID,
reserved; callsign from and to, ten bytes each, NUL-terminated; data length, four bytes; four bytes
for the user. Kinds that are read: "K" (raw AX.25 behind one byte that KISS calls the type byte), "U"
and "T" (monitored and own UI frames, as text), "R" (version). The layout is that of
"AGW TCPIP Socket Interface" (Rossopoulos 2000); a real software TNC speaks it in the tests.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from decoders.noise import Noise
from decoders.reports import DecodeError

HEADER_BYTES = 36
MAX_DATA_BYTES = 4096  # an AX.25 frame has some 330 bytes; the lists that servers send, more
MAX_NOISE_BYTES = 1024
_HEADER = struct.Struct("<B3xcxBx10s10sI4x")
_RESERVED = (1, 2, 3, 5, 7)  # always 0; what tells a header from anything else


@dataclass(frozen=True, slots=True)
class AgwFrame:
    """One frame: `kind` is a letter, callsigns are text without what follows their NUL."""

    port: int
    kind: str
    sender: str
    destination: str
    data: bytes


class AgwDecoder:
    """Fed bytes in pieces of any size, gives whole frames as bytes, header included.

    Buffers hold at most one frame of HEADER_BYTES + MAX_DATA_BYTES and MAX_NOISE_BYTES of noise.
    Counter: `noise_bytes`.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._noise = Noise(MAX_NOISE_BYTES)

    def feed(self, data: bytes) -> list[bytes]:
        """Frames that `data` completes, in order; what is left waits for more."""
        frames: list[bytes] = []
        self._buffer += data
        start = 0
        while len(self._buffer) - start >= HEADER_BYTES:
            length = _data_length(self._buffer, start)
            if length is None:
                self._noise.add(self._buffer[start])
                start += 1
                continue
            end = start + HEADER_BYTES + length
            if len(self._buffer) < end:
                break
            frames.append(bytes(self._buffer[start:end]))
            start = end
        del self._buffer[:start]
        return frames

    @property
    def noise_bytes(self) -> int:
        """Bytes so far that belong to no frame."""
        return self._noise.count

    def take_noise(self) -> bytes:
        """The head of the noise heard since the last call; empty when there was none."""
        return self._noise.take()

    def flush(self) -> bytes:
        """The unfinished frame, for a stream that has ended; empty when there is none."""
        rest = bytes(self._buffer)
        self._buffer.clear()
        return rest


def decode_frame(frame: bytes) -> AgwFrame:
    """One whole frame. DecodeError: no header, or data of another length than it says."""
    if len(frame) < HEADER_BYTES:
        raise DecodeError(f"AGW frame of {len(frame)} bytes, expected {HEADER_BYTES} or more")
    length = _data_length(frame, 0)
    if length is None:
        raise DecodeError("not an AGW header: reserved bytes, a kind's letter and names expected")
    if len(frame) != HEADER_BYTES + length:
        raise DecodeError(f"AGW frame with {len(frame) - HEADER_BYTES} bytes of data, not {length}")
    port, kind, _, sender, destination, _ = _HEADER.unpack_from(frame)
    return AgwFrame(
        port, kind.decode("ascii"), _name(sender), _name(destination), bytes(frame[HEADER_BYTES:])
    )


def encode_frame(
    kind: str, data: bytes = b"", *, port: int = 0, sender: str = "", destination: str = ""
) -> bytes:
    """The bytes of a frame, as a client asks or a server answers.

    ValueError: names over nine characters, or more data than MAX_DATA_BYTES.
    """
    if len(data) > MAX_DATA_BYTES or max(len(sender), len(destination)) > 9:
        raise ValueError("AGW: names have at most nine characters, data MAX_DATA_BYTES")
    names = sender.encode("ascii"), destination.encode("ascii")
    return _HEADER.pack(port, kind.encode("ascii"), 0, *names, len(data)) + data


def looks_like(data: bytes) -> bool:
    """Do these bytes start with a header of this protocol?"""
    return len(data) >= HEADER_BYTES and _data_length(data, 0) is not None


def _data_length(data: bytes | bytearray, start: int) -> int | None:
    """Length of the data behind the header at `start`; None when it can be no header."""
    if any(data[start + i] for i in _RESERVED) or not chr(data[start + 4]).isalpha():
        return None
    if data[start + 4] > 0x7F:
        return None
    for name in (data[start + 8 : start + 18], data[start + 18 : start + 28]):
        text = bytes(name).partition(b"\0")[0]
        if not all(0x20 <= byte <= 0x7E for byte in text):
            return None
    length = int.from_bytes(data[start + 28 : start + 32], "little")
    return length if length <= MAX_DATA_BYTES else None


def _name(field: bytes) -> str:
    return field.partition(b"\0")[0].decode("ascii").strip()
