"""A packet by whichever wire it came: as text, in a KISS frame, from a software TNC's AGW port."""

from __future__ import annotations

import re
from dataclasses import replace

from decoders import agw, aprs, ax25, tnc2
from decoders.kiss import DATA_COMMAND, FEND, KissDecoder
from decoders.reports import DecodeError, Decoding, StatusReport, Transmission

ODD_NAME = "the packet was read; its header has an odd name:"
_TEXT = re.compile(rb"(?:<\xff\x01)?[!-~]{1,80}>[!-~]")  # sender and destination of a TNC2 line
_LOWEST_ADDRESS_BYTE = ord("0") << 1  # of a bare AX.25 frame


def read_tnc2(payload: bytes, heard_at_s: float, source: str) -> Decoding:
    """One line: sender, destination, path and information."""
    line = tnc2.decode_line(payload)
    if isinstance(line, tnc2.ServerComment):
        return Decoding(reports=(StatusReport(source, line.text),))
    return _information(line, heard_at_s)


def read_kiss(payload: bytes, heard_at_s: float) -> Decoding:
    """Type byte and AX.25 frame, unescaped; a piece of KISS stream, a bare frame, or a TNC2 line instead."""
    if not payload:
        raise DecodeError("empty KISS frame")
    if agw.looks_like(payload):
        raise DecodeError('not KISS but AGW; the source needs kind = "agw-tcp"')
    if payload[0] == FEND:
        frames = KissDecoder().feed(payload if payload[-1] == FEND else payload + bytes([FEND]))
        if not frames:
            raise DecodeError("KISS stream without a whole frame")
        decoding = read_kiss(frames[0].payload, heard_at_s)
        if len(frames) > 1 and decoding.problem is None:
            return replace(decoding, problem=f"first of {len(frames)} KISS frames was read")
        return decoding
    text = payload if payload.startswith(tnc2.LORA_PREFIX) else payload[1:]
    bare = payload[0] >= _LOWEST_ADDRESS_BYTE and not payload[0] & 0x01
    if payload[0] & 0x0F != DATA_COMMAND and text is not payload:
        if not bare:
            raise DecodeError(f"KISS command {payload[0] & 0x0F}, not data")
        return _information(ax25.decode_ui(payload), heard_at_s)
    try:
        transmission = ax25.decode_ui(payload[1:])
    except DecodeError as error:
        transmission = _instead_of_ax25(payload, text, bare, error)
    return _information(transmission, heard_at_s)


def read_agw(payload: bytes, heard_at_s: float) -> Decoding:
    """Header and data of one AGW frame: raw (K) or monitored as text (U, T)."""
    frame = agw.decode_frame(payload)
    if frame.kind == "K":
        return read_kiss(frame.data, heard_at_s)
    if frame.kind not in "UT":
        raise DecodeError(f"AGW frame of kind {frame.kind!r}, expected K, U or T")
    line = tnc2.decode_line(frame.data.rstrip(b"\r\n\0"))
    if isinstance(line, tnc2.ServerComment):
        raise DecodeError("AGW frame with a comment in place of a packet")
    return _information(line, heard_at_s)


def _instead_of_ax25(payload: bytes, text: bytes, bare: bool, error: DecodeError) -> Transmission:
    """Text, or a frame without its type byte. DecodeError: why `payload` is no AX.25."""
    if _TEXT.match(text):
        line = tnc2.decode_line(text)
        if isinstance(line, Transmission):
            return line
    if not bare:
        raise error
    try:
        return ax25.decode_ui(payload)
    except DecodeError:
        raise error from None


def _information(transmission: Transmission, heard_at_s: float) -> Decoding:
    """Internet gates cut information at its first line end, so copies by radio are cut too."""
    problem = None
    try:
        transmission = tnc2.unwrap(_cut(transmission))
        reports = aprs.decode_information(transmission, heard_at_s)
    except DecodeError as error:
        reports, problem = (), str(error)
    if problem is None and transmission.odd_names:
        problem = f"{ODD_NAME} {', '.join(map(repr, transmission.odd_names))}"[:200]
    return Decoding(transmission, reports, problem)


def _cut(transmission: Transmission) -> Transmission:
    information = transmission.information
    if b"\r" not in information and b"\n" not in information:
        return transmission
    return replace(transmission, information=information.replace(b"\n", b"\r").partition(b"\r")[0])
