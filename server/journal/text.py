r"""The text form of a journal: `#` header lines, then one reception a line.

    RFC3339-UTC-time SPACE source SPACE wire SPACE payload

A kiss or agw payload is hex; other payloads are text with bytes outside printable ASCII, and the backslash
before an x, as \xNN.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from decoders.wires import WIRES
from server.flight.inputs import Reception
from server.flight.times import format_time, parse_time

_ESCAPE = re.compile(rb"\\x([0-9a-fA-F]{2})")
_HEADER = re.compile(r"#\s*([A-Za-z][\w ]*?)\s*:\s*(.*)")
MAX_LINE_CHARACTERS = 4_000_000


class LogError(ValueError):
    """A line that is not what the text form promises; the message names line, want and find."""


class LogLine(NamedTuple):
    number: int  # line of the file, from 1
    reception: Reception


def format_line(reception: Reception) -> str:
    """One line without its line end."""
    payload = (
        reception.payload.hex()
        if WIRES[reception.wire].binary
        else "".join(_printable(reception.payload))
    )
    return f"{format_time(reception.heard_at_ms)} {reception.source} {reception.wire} {payload}"


def _printable(payload: bytes) -> Iterator[str]:
    for i, byte in enumerate(payload):
        looks_escaped = byte == 0x5C and payload[i + 1 : i + 2] == b"x"
        yield f"\\x{byte:02x}" if not 0x20 <= byte <= 0x7E or looks_escaped else chr(byte)


def parse_line(line: str) -> Reception:
    """One reception. LogError says what was expected."""
    parts = line.rstrip("\r\n").split(" ", 3)
    if len(parts) != 4:
        raise LogError("`time source wire payload` expected, set apart by single spaces")
    time, source, wire, text = parts
    if wire not in WIRES:
        raise LogError(f"wire {wire!r} is none of {', '.join(WIRES)}")
    if not source:
        raise LogError("the source's name is missing")
    if WIRES[wire].binary:
        try:
            payload = bytes.fromhex(text)
        except ValueError as error:
            raise LogError(f"hex digits expected as a {wire} payload, not {text[:40]!r}") from error
    else:
        raw = text.encode("utf-8", "surrogateescape")
        payload = _ESCAPE.sub(lambda m: bytes([int(m[1], 16)]), raw)
    try:
        heard_at_ms = parse_time(time)
    except (ValueError, OverflowError) as error:
        raise LogError(str(error)) from error
    return Reception(heard_at_ms, source, wire, payload)


def read_lines(lines: Iterable[str], problems: list[str] | None = None) -> Iterator[LogLine]:
    """The receptions of a log. A bad line is told in `problems` and passed over, or raises LogError."""
    for number, line in enumerate(lines, start=1):
        if line.startswith("#") or not line.strip():
            continue
        try:
            yield LogLine(number, parse_line(line))
        except LogError as error:
            if problems is None:
                raise LogError(f"line {number}: {error}") from error
            problems.append(f"line {number}: {error}")


def read_header(lines: Iterable[str]) -> dict[str, str]:
    """`# key: value` lines at the top of a log, keys in lower case with _ for spaces."""
    header: dict[str, str] = {}
    for line in lines:
        if not line.startswith("#"):
            break
        match = _HEADER.match(line.rstrip())
        if match is not None:
            header[match[1].strip().lower().replace(" ", "_")] = match[2]
    return header
