"""Headers as TNCs print them for people, beside the plain TNC2 line.

    [12:30:45] SENDER>DESTINATION,VIA* <UI>:information
    1:SENDER>DESTINATION,VIA <UI C Len=37>:information
    fm SENDER to DESTINATION via VIA VIA* ctl UI^ pid F0 information
    1:Fm SENDER To DESTINATION Via VIA <UI pid=F0 Len=37 >[12:30:45]

A time, a date, a port or the prompt may stand before the header. The information follows on the
same line or on the next one. Of the frames, UI alone carries APRS. "fm ... ctl UI^
pid F0" is what WA8DED's TheFirmware prints; a real software TNC prints the last one in the tests.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from decoders.reports import DecodeError

_BEFORE = re.compile(
    r"(?:cmd:"
    r"|\[?\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:Z|[ ]?UTC)?\]?:?"  # date and time
    r"|\[?\d\d?[/.-]\d\d?[/.-]\d\d(?:\d\d)?\]?"  # date
    r"|\[?\d\d?:\d\d(?::\d\d(?:\.\d{1,9})?)?[A-Z]{0,3}\]?:?(?![^\s\[])"  # time
    r"|\[?[Pp]ort[ ]?\d{1,2}\]?:?"
    r"|\[\d{1,2}(?:\.\d{1,2})?[A-Z]?\]"  # channel
    r"|\d{1,2}:"  # port
    r")[ \t]*",
    re.ASCII,
)
_MOST_BEFORE = 4
_ARROW = re.compile(
    r"(?P<sender>[^\s>:,]{1,40})>(?P<rest>[^\s:<>\[]{1,900})"
    r"(?P<marks>(?:[ ]?(?:<[^>\r\n]{0,60}>{1,2}|\[[^\]\r\n]{0,40}\])){0,3})"
    r"[ ]?:[\r\n]*(?P<information>.*)",
    re.DOTALL,
)
_FROM_TO = re.compile(  # possessive quantifiers: no line may take long
    r"[^\r\n]{0,40}?\bfm[ ]++(?P<sender>\S{1,40}+)[ ]++to[ ]++(?P<destination>\S{1,40}+)"
    r"(?:[ ]++via[ ]++(?P<vias>[^\s<]++(?:[ ]++[^\s<]++){0,30}?))?[ ]++"
    r"(?:ctl[ ]++(?P<control>[A-Z]{1,5})[\w^+-]{0,3}|<(?P<kind>[A-Z]{1,5})\b(?P<inside>[^>\r\n]{0,60}+)>)"
    r"(?P<after>(?:[ ]?(?:pid(?:[ ]?=[ ]?|[ ])\w{2,4}(?:\([^)\r\n]{0,20}\))?"
    r"|len(?:[ ]?=[ ]?|[ ])\d{1,4}|\[[^\]\r\n]{0,40}\])){0,3})"
    r"(?:[ ]*+[\r\n]++|:[ ]?[\r\n]*+|[ ]++|\Z)(?P<information>.*)",
    re.DOTALL | re.IGNORECASE,
)
_PID = re.compile(r"pid(?:[ ]?=[ ]?|[ ])(?:0x)?([0-9A-F]{2})", re.IGNORECASE)
_LENGTH = re.compile(r"len(?:[ ]?=[ ]?|[ ])(\d{1,4})", re.IGNORECASE)
_FRAME = re.compile(r"<{1,2}\s*([A-Za-z]{1,5})")


class Printed(NamedTuple):
    """A header taken apart: names as they were printed, `information` as latin-1 text."""

    sender: str
    destination: str
    vias: tuple[str, ...]
    information: str


def read(text: str) -> Printed | None:
    """A printed header with its information; None when `text` (latin-1) is no such thing.

    DecodeError: a frame other than UI, or one of a layer 3 protocol.
    """
    match = _FROM_TO.match(text)
    if match is not None:
        return _from_to(match)
    start = 0
    for _ in range(_MOST_BEFORE):
        if (before := _BEFORE.match(text, start)) is None:
            break
        start = before.end()
    match = _ARROW.match(text, start)
    if match is None:
        return None
    frame = _FRAME.search(match["marks"])
    _check(frame[1] if frame else "UI", match["marks"])
    destination, *vias = match["rest"].split(",")
    information = _as_long_as(match["information"], match["marks"])
    return Printed(match["sender"], destination, tuple(vias), information)


def _from_to(match: re.Match[str]) -> Printed:
    marks = f"{match['inside'] or ''} {match['after']}"
    _check(match["control"] or match["kind"], marks)
    vias = tuple(re.split(r"[ ,]+", match["vias"].strip(" ,"))) if match["vias"] else ()
    information = _as_long_as(match["information"], marks)
    return Printed(match["sender"], match["destination"], vias, information)


def _check(frame: str, marks: str) -> None:
    if frame.upper() != "UI":
        raise DecodeError(f"monitor line of a {frame.upper()} frame, expected UI")
    pid = _PID.search(marks)
    if pid is not None and pid[1].upper() != "F0":
        raise DecodeError(f"PID 0x{pid[1].upper()}, expected 0xF0 (no layer 3)")


def _as_long_as(information: str, marks: str) -> str:
    """Some print line ends and a NUL of their own behind; the length that they state is without."""
    length = _LENGTH.search(marks)
    return information[: int(length[1])] if length is not None else information
