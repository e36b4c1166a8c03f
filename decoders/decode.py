"""The single door of the decoders: what one reception says."""

from __future__ import annotations

from dataclasses import replace

from . import aprs, ax25, gpsd, nmea, phone, tnc2
from .bounds import bounded
from .kiss import DATA_COMMAND, FEND, KissDecoder
from .reports import DecodeError, Decoding, Report, StatusReport, Transmission, Wire

_LOWEST_ADDRESS_BYTE = ord("0") << 1  # of a bare AX.25 frame

_MOST_PROBLEMS = 5  # words about one reception


def decode(wire: Wire, payload: bytes, heard_at_s: float, source: str) -> Decoding:
    """Everything that a reception says; never raises, `problem` tells what could not be read.

    kiss: type byte and AX.25 frame, unescaped; a piece of KISS stream (it starts with FEND) and a
    bare frame are read too. tnc2, nmea, gpsd: one line. phone: a JSON body. Reports of nmea, gpsd
    and phone are named after `source`. Numbers that cannot be are left out, and named in `problem`.
    """
    try:
        return _bounded(_read(wire, payload, heard_at_s, source))
    except DecodeError as error:
        return Decoding(problem=str(error))
    except Exception as fault:  # one packet must not end the flight; the fuzz tests look for this
        return Decoding(problem=f"fault in the decoder: {type(fault).__name__}: {fault}")


def _read(wire: Wire, payload: bytes, heard_at_s: float, source: str) -> Decoding:
    if wire == "tnc2":
        return _tnc2(payload, heard_at_s, source)
    if wire == "kiss":
        return _kiss(payload, heard_at_s)
    if wire == "nmea":
        return _plain(nmea.decode_sentence(payload, heard_at_s, source))
    if wire == "gpsd":
        return _plain(gpsd.decode_object(payload, source))
    if wire == "phone":
        reports, problem = phone.decode_body(payload, source)
        return Decoding(reports=reports, problem=problem)
    return Decoding(problem=f"wire {wire!r} is not known")


def _bounded(decoding: Decoding) -> Decoding:
    reports: list[Report] = []
    problems = [] if decoding.problem is None else [decoding.problem]
    for report in decoding.reports:
        try:
            kept, left_out = bounded(report)
        except DecodeError as error:
            problems.append(str(error))
            continue
        reports.append(kept)
        if left_out:
            problems.append(f"beyond what can be: {', '.join(left_out)}")
    if not problems:
        return decoding
    return replace(decoding, reports=tuple(reports), problem="; ".join(problems[:_MOST_PROBLEMS]))


def _plain(report: Report | None) -> Decoding:
    return Decoding(reports=() if report is None else (report,))


def _tnc2(payload: bytes, heard_at_s: float, source: str) -> Decoding:
    line = tnc2.decode_line(payload)
    if isinstance(line, tnc2.ServerComment):
        return Decoding(reports=(StatusReport(source, line.text),))
    return _information(line, heard_at_s)


def _kiss(payload: bytes, heard_at_s: float) -> Decoding:
    if not payload:
        raise DecodeError("empty KISS frame")
    if payload[0] == FEND:
        frames = KissDecoder().feed(payload if payload[-1] == FEND else payload + bytes([FEND]))
        if not frames:
            raise DecodeError("KISS stream without a whole frame")
        decoding = _kiss(frames[0].payload, heard_at_s)
        if len(frames) > 1 and decoding.problem is None:
            return replace(decoding, problem=f"first of {len(frames)} KISS frames was read")
        return decoding
    bare = payload[0] >= _LOWEST_ADDRESS_BYTE and not payload[0] & 0x01
    if payload[0] & 0x0F != DATA_COMMAND:
        if not bare:
            raise DecodeError(f"KISS command {payload[0] & 0x0F}, not data")
        return _information(ax25.decode_ui(payload), heard_at_s)
    try:
        transmission = ax25.decode_ui(payload[1:])
    except DecodeError as error:
        if not bare:
            raise
        try:
            transmission = ax25.decode_ui(payload)
        except DecodeError:
            raise error from None
    return _information(transmission, heard_at_s)


def _information(transmission: Transmission, heard_at_s: float) -> Decoding:
    """Internet gates cut information at its first line end, so copies by radio are cut too."""
    try:
        whole = tnc2.unwrap(_cut(transmission))
    except DecodeError as error:
        return Decoding(transmission=transmission, problem=str(error))
    try:
        return Decoding(whole, aprs.decode_information(whole, heard_at_s))
    except DecodeError as error:
        return Decoding(transmission=whole, problem=str(error))


def _cut(transmission: Transmission) -> Transmission:
    information = transmission.information
    if b"\r" not in information and b"\n" not in information:
        return transmission
    return replace(transmission, information=information.replace(b"\n", b"\r").partition(b"\r")[0])
