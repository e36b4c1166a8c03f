"""Headers as TNCs print them for people."""

from __future__ import annotations

import contextlib
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders import monitor
from decoders.reports import DecodeError, Transmission
from decoders.tnc2 import awaits_information, decode_line

INFORMATION = "!4903.50N/07201.75W-up: 1"
PLAIN = Transmission("N0CALL-11", "APRS", (), INFORMATION.encode())
VIA = Transmission("N0CALL-11", "APRS", ("N0CALL-1", "WIDE2*"), INFORMATION.encode())

PRINTED = [
    ("N0CALL-11>APRS <UI>:", PLAIN),
    ("N0CALL-11>APRS <UI R>:", PLAIN),
    ("N0CALL-11>APRS <<UI>>:", PLAIN),
    ("N0CALL-11>APRS,N0CALL-1,WIDE2* <UI C Len=25>:", VIA),
    ("N0CALL-11>APRS,N0CALL-1,WIDE2* [06/06/26 13:04:31] <UI>:", VIA),
    ("N0CALL-11>APRS,N0CALL-1,WIDE2* <UI> [13:04:31]:", VIA),
    ("13:04:31 N0CALL-11>APRS,N0CALL-1,WIDE2*:", VIA),
    ("[13:04:31] N0CALL-11>APRS:", PLAIN),
    ("13:04:31R N0CALL-11>APRS,N0CALL-1,WIDE2* <UI>:", VIA),
    ("2026-06-06 13:04:31 UTC: N0CALL-11>APRS:", PLAIN),
    ("2026-06-06T13:04:31.402Z N0CALL-11>APRS:", PLAIN),
    ("06/06/26 13:04 N0CALL-11>APRS:", PLAIN),
    ("1:N0CALL-11>APRS:", PLAIN),
    ("Port 1: N0CALL-11>APRS:", PLAIN),
    ("[0.3] N0CALL-11>APRS:", PLAIN),
    ("[0] [13:04:31] N0CALL-11>APRS:", PLAIN),
    ("cmd:N0CALL-11>APRS:", PLAIN),
    ("cmd:1:N0CALL-11>APRS,N0CALL-1,WIDE2* <UI>:", VIA),
    ("fm N0CALL-11 to APRS ctl UI^ pid F0 ", PLAIN),
    ("fm N0CALL-11 to APRS via N0CALL-1 WIDE2* ctl UI^ pid F0 ", VIA),
    ("fm N0CALL-11 to APRS via N0CALL-1,WIDE2* ctl UI pid F0:", VIA),
    ("1:fm N0CALL-11 to APRS ctl UI+ pid F0\r", PLAIN),
    ("vhf: fm N0CALL-11 to APRS via N0CALL-1 WIDE2* ctl UI^ pid=F0(Text) len 25 \r", VIA),
    (" 1:Fm N0CALL-11 To APRS Via N0CALL-1,WIDE2* <UI pid=F0 Len=25 PF=0 >[13:04:31]\r", VIA),
    ("1:Fm N0CALL-11 To APRS <UI pid=F0 Len=25 >[13:04:31]\r", PLAIN),
]


@pytest.mark.parametrize(("header", "transmission"), PRINTED)
def test_header_is_read(header: str, transmission: Transmission) -> None:
    line = (header + INFORMATION).encode()
    assert decode_line(line) == transmission
    assert not awaits_information(line)


@pytest.mark.parametrize(("header", "transmission"), PRINTED)
@pytest.mark.parametrize("end", ["\r", "\n", "\r\n"])
def test_information_on_the_next_line(header: str, transmission: Transmission, end: str) -> None:
    header = header.strip("\r ")
    assert awaits_information(header.encode())
    assert decode_line((header + end + INFORMATION).encode()) == transmission


def test_stated_length_cuts_what_the_printer_adds() -> None:
    line = b"1:Fm N0CALL-11 To APRS <UI pid=F0 Len=25 >[13:04:31]\r" + PLAIN.information + b"\r\r\0"
    assert decode_line(line) == PLAIN


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("N0CALL>N0CALL-1 <RR R>:", "monitor line of a RR frame"),
        ("fm N0CALL to N0CALL-1 ctl SABM+", "monitor line of a SABM frame"),
        ("fm N0CALL to NODES ctl UI^ pid CF data", "PID 0xCF"),
        ("Fm N0CALL To NODES <UI pid=CF Len=4 >[13:04:31]\rdata", "PID 0xCF"),
        ("fm to via ctl UI", "no ':'"),
        ("fm N0CALL! to APRS ctl UI pid F0 x", "sender"),
        ("[13:04:31] nothing here", "no '>'"),
    ],
)
def test_what_is_no_packet_is_told(line: str, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        decode_line(line.encode())


@given(st.text(alphabet="fmtovia ctlUI<>[]:pidF0=Len1 -AB*,\r\n", max_size=300))
def test_any_text_is_refused_politely(text: str) -> None:
    with contextlib.suppress(DecodeError):
        decode_line(text.encode())


@pytest.mark.parametrize(
    "unit",
    ["[", "<", "fm ", "1:", "[1] ", "a>b ", " ", "<UI>", "a,", "via ", "12:30:45 ", "fm a to b "],
)
def test_no_line_takes_long(unit: str) -> None:
    """Backtracking would show as seconds; a line is at most 1,024 bytes."""
    lines = [unit * (1024 // len(unit)), "A>B" + unit * (1000 // len(unit)) + ":"]
    lines.append("fm A to B via " + unit * (1000 // len(unit)))
    began_s = time.process_time()
    for line in lines:
        with contextlib.suppress(DecodeError):
            monitor.read(line)
    assert time.process_time() - began_s < 2.0
