"""The registry of wires: one row each, with its decoder. Whatever lists wires reads it here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple, TypeVar

from decoders import fields, gpsd, json_objects, nmea, notes, phone
from decoders.packets import read_agw, read_kiss, read_tnc2
from decoders.readings import FieldOrder, JsonNames, NmeaRules, Reading
from decoders.reports import DecodeError, Decoding, Report

_R = TypeVar("_R", FieldOrder, JsonNames)
Given = tuple[bytes, float, str, Reading | None]  # payload, heard at (s), source, how it is read
Read = Callable[[bytes, float, str, Reading | None], Decoding]


class Row(NamedTuple):
    """`read` raises DecodeError. `binary`: written as hexadecimal digits in text logs. `lines`: text of
    one line a reception, which the sources then offer as NAME-tcp, NAME-udp and NAME-serial."""

    read: Read
    binary: bool = False
    lines: bool = False


def _nmea(payload: bytes, heard_at_s: float, source: str, reading: Reading | None) -> Decoding:
    loose = isinstance(reading, NmeaRules) and reading.without_checksum
    return one(nmea.decode_sentence(payload, heard_at_s, source, without_checksum=loose))


def _gpsd(payload: bytes, _: float, source: str, __: Reading | None) -> Decoding:
    report, device = gpsd.decode_with_device(payload, source)
    return replace(one(report), device=device)


def _fields(payload: bytes, heard_at_s: float, source: str, reading: Reading | None) -> Decoding:
    order = _planned(reading, FieldOrder, source, "the order of its fields")
    return _several(fields.decode_sentence(payload, heard_at_s, source, order))


def _json(payload: bytes, _: float, source: str, reading: Reading | None) -> Decoding:
    names = _planned(reading, JsonNames, source, "the names of its JSON")
    return _several(json_objects.decode_payload(payload, source, names))


def _planned(reading: Reading | None, kind: type[_R], source: str, what: str) -> _R:
    if not isinstance(reading, kind):
        raise DecodeError(f"the plan does not say of source {source!r} {what}")
    return reading


def _several(read: tuple[tuple[Report, ...], str | None]) -> Decoding:
    reports, problem = read
    return Decoding(reports=reports, problem=problem)


def one(report: Report | None) -> Decoding:
    """A decoding of one report, or of none."""
    return Decoding(reports=() if report is None else (report,))


WIRES: dict[str, Row] = {
    "tnc2": Row(lambda payload, heard_at_s, source, _: read_tnc2(payload, heard_at_s, source)),
    "kiss": Row(lambda payload, heard_at_s, *_: read_kiss(payload, heard_at_s), binary=True),
    "agw": Row(lambda payload, heard_at_s, *_: read_agw(payload, heard_at_s), binary=True),
    "nmea": Row(_nmea),
    "gpsd": Row(_gpsd),
    "fields": Row(_fields),
    "json": Row(_json),
    "note": Row(lambda payload, *_: one(notes.decode_note(payload))),
    "phone": Row(lambda payload, _, source, __: _several(phone.decode_body(payload, source))),
}
