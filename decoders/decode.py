"""The single door of the decoders: what one reception says."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TypeVar

from decoders import agw, aprs, ax25, fields, gpsd, json_objects, nmea, phone, tnc2
from decoders.bounds import bounded
from decoders.kiss import DATA_COMMAND, FEND, KissDecoder
from decoders.readings import FieldOrder, JsonNames, NmeaRules, Reading
from decoders.reports import DecodeError, Decoding, Report, StatusReport, Transmission, Wire

ODD_NAME = "the packet was read; its header has an odd name:"
_TEXT = re.compile(rb"(?:<\xff\x01)?[!-~]{1,80}>[!-~]")  # sender and destination of a TNC2 line
_R = TypeVar("_R", FieldOrder, JsonNames)
_LOWEST_ADDRESS_BYTE = ord("0") << 1  # of a bare AX.25 frame

_MOST_PROBLEMS = 5  # words about one reception


def decode(
    wire: Wire, payload: bytes, heard_at_s: float, source: str, reading: Reading | None = None
) -> Decoding:
    """Everything that a reception says; never raises, `problem` tells what could not be read.

    kiss: type byte and AX.25 frame, unescaped; a piece of KISS stream (it starts with FEND), a bare
    frame and a TNC2 line in place of the frame are read too. agw: header and data. tnc2, nmea,
    gpsd, fields: one line. json, phone: a JSON body. `reading` is what the plan says of the source:
    fields and json cannot be read without it. Reports that carry no name are called `source`.
    Numbers that cannot be are left out, and named in `problem`.
    """
    try:
        return _bounded(_read(wire, payload, heard_at_s, source, reading))
    except DecodeError as error:
        return Decoding(problem=str(error))
    except Exception as fault:  # one packet must not end the flight; the fuzz tests look for this
        return Decoding(problem=f"fault in the decoder: {type(fault).__name__}: {fault}")


def _read(
    wire: Wire, payload: bytes, heard_at_s: float, source: str, reading: Reading | None
) -> Decoding:
    if wire == "tnc2":
        return _tnc2(payload, heard_at_s, source)
    if wire == "kiss":
        return _kiss(payload, heard_at_s)
    if wire == "agw":
        return _agw(payload, heard_at_s)
    if wire == "nmea":
        loose = isinstance(reading, NmeaRules) and reading.without_checksum
        return _plain(nmea.decode_sentence(payload, heard_at_s, source, without_checksum=loose))
    if wire == "gpsd":
        report, device = gpsd.decode_with_device(payload, source)
        return replace(_plain(report), device=device)
    if wire == "fields":
        order = _planned(reading, FieldOrder, source, "the order of its fields")
        return _several(fields.decode_sentence(payload, heard_at_s, source, order))
    if wire == "json":
        names = _planned(reading, JsonNames, source, "the names of its JSON")
        return _several(json_objects.decode_payload(payload, source, names))
    if wire == "phone":
        return _several(phone.decode_body(payload, source))
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


def _planned(reading: Reading | None, kind: type[_R], source: str, what: str) -> _R:
    if not isinstance(reading, kind):
        raise DecodeError(f"the plan does not say of source {source!r} {what}")
    return reading


def _several(read: tuple[tuple[Report, ...], str | None]) -> Decoding:
    reports, problem = read
    return Decoding(reports=reports, problem=problem)


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
    if agw.looks_like(payload):
        raise DecodeError('not KISS but AGW; the source needs kind = "agw-tcp"')
    if payload[0] == FEND:
        frames = KissDecoder().feed(payload if payload[-1] == FEND else payload + bytes([FEND]))
        if not frames:
            raise DecodeError("KISS stream without a whole frame")
        decoding = _kiss(frames[0].payload, heard_at_s)
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


def _agw(payload: bytes, heard_at_s: float) -> Decoding:
    frame = agw.decode_frame(payload)
    if frame.kind == "K":
        return _kiss(frame.data, heard_at_s)
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
