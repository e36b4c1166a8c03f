"""KISS framing between a TNC and its host (Chepponis and Karn, "The KISS TNC", 1987).

Rules of the state machine:

    noise  -- FEND --> frame        what came before the first FEND is noise: counted, head kept
    frame  -- FEND --> frame        the frame ends, the next may begin; an empty frame is nothing
    frame  -- FESC --> escape
    escape -- TFEND --> frame       stands for FEND
    escape -- TFESC --> frame       stands for FESC
    escape -- FEND --> frame        bad escape, counted; the frame ends where it was cut
    escape -- other --> frame       bad escape, counted; the byte is left out and assembly goes on
    frame  -- too long --> oversize counted; everything up to the next FEND is dropped

A frame starts with the type byte: port in the high four bits, command in the low four.
"""

from __future__ import annotations

from dataclasses import dataclass

from decoders.noise import Noise

FEND, FESC, TFEND, TFESC = 0xC0, 0xDB, 0xDC, 0xDD
DATA_COMMAND = 0
MAX_FRAME_BYTES = 1024
MAX_NOISE_BYTES = 1024


@dataclass(frozen=True, slots=True)
class KissFrame:
    """One unescaped frame. `command` 0 carries AX.25 in `data`."""

    port: int
    command: int
    data: bytes

    @property
    def payload(self) -> bytes:
        """Type byte and data: what a reception of wire "kiss" holds."""
        return bytes([self.port << 4 | self.command]) + self.data


class KissDecoder:
    """Fed bytes in pieces of any size, gives whole frames.

    Buffers hold at most `max_frame_bytes` of a frame (type byte included) and MAX_NOISE_BYTES of
    noise. Counters: `oversize` frames, `noise_bytes`, `bad_escapes`.
    """

    def __init__(self, max_frame_bytes: int = MAX_FRAME_BYTES) -> None:
        if max_frame_bytes < 1:
            raise ValueError(f"a frame has at least one byte, not {max_frame_bytes}")
        self.max_frame_bytes = max_frame_bytes
        self.oversize = 0
        self.bad_escapes = 0
        self._frame = bytearray()
        self._noise = Noise(MAX_NOISE_BYTES)
        self._in_frame = False
        self._escaped = False
        self._dropping = False

    def feed(self, data: bytes) -> list[KissFrame]:
        """Frames that `data` completes, in order; what is left waits for more."""
        frames: list[KissFrame] = []
        for byte in data:
            if byte == FEND:
                self._end_frame(frames)
            elif not self._in_frame:
                self._noise.add(byte)
            elif self._dropping:
                continue
            elif self._escaped:
                self._escaped = False
                if byte == TFEND:
                    self._append(FEND)
                elif byte == TFESC:
                    self._append(FESC)
                else:
                    self.bad_escapes += 1
            elif byte == FESC:
                self._escaped = True
            else:
                self._append(byte)
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
        rest = bytes(self._frame)
        self._frame.clear()
        self._in_frame = self._escaped = self._dropping = False
        return rest

    def _append(self, byte: int) -> None:
        if len(self._frame) >= self.max_frame_bytes:
            self.oversize += 1
            self._dropping = True
        else:
            self._frame.append(byte)

    def _end_frame(self, frames: list[KissFrame]) -> None:
        if self._escaped:
            self.bad_escapes += 1
        if self._frame and not self._dropping:
            kind = self._frame[0]
            frames.append(KissFrame(kind >> 4, kind & 0x0F, bytes(self._frame[1:])))
        self._frame.clear()
        self._in_frame = True
        self._escaped = self._dropping = False


def encode_frame(data: bytes, port: int = 0, command: int = DATA_COMMAND) -> bytes:
    """`data` as one KISS frame with FEND at both ends. ValueError for a port or command over 15."""
    if not 0 <= port <= 15 or not 0 <= command <= 15:
        raise ValueError(f"port and command are 0 to 15, not {port} and {command}")
    body = bytes([port << 4 | command]) + data
    escaped = body.replace(bytes([FESC]), bytes([FESC, TFESC]))
    escaped = escaped.replace(bytes([FEND]), bytes([FESC, TFEND]))
    return bytes([FEND]) + escaped + bytes([FEND])
