"""TNC2 monitor lines and what APRS-IS adds to them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.decode import decode
from decoders.reports import DecodeError, Transmission
from decoders.tnc2 import (
    LORA_PREFIX,
    MAX_NESTING,
    MAX_VIAS,
    ServerComment,
    decode_line,
    encode_line,
    unwrap,
)

LINES = [
    pytest.param(
        b"N0CALL-11>APRS:>up", Transmission("N0CALL-11", "APRS", (), b">up"), id="heard directly"
    ),
    pytest.param(
        b"N0CALL>APRS,N0CALL-1,WIDE1*,WIDE2-1:!x",
        Transmission("N0CALL", "APRS", ("N0CALL-1", "WIDE1*", "WIDE2-1"), b"!x"),
        id="repeated",
    ),
    pytest.param(
        b"N0CALL>APRS,WIDE1*,qAR,N0CALL-10:!x",
        Transmission("N0CALL", "APRS", ("WIDE1*", "qAR", "N0CALL-10"), b"!x"),
        id="internet gate",
    ),
    pytest.param(
        b"N0CALL-AB>APRS,TCPIP*,qAC,T2SERVER:!x",
        Transmission("N0CALL-AB", "APRS", ("TCPIP*", "qAC", "T2SERVER"), b"!x"),
        id="letters for an SSID",
    ),
    pytest.param(
        b"N0CALL>APRS,qAI,N0CALL-10,C0A80001000000000000000000000001:!x",
        Transmission(
            "N0CALL", "APRS", ("qAI", "N0CALL-10", "C0A80001000000000000000000000001"), b"!x"
        ),
        id="address in a trace",
    ),
    pytest.param(
        b"N0CALL>APRS::N0CALL-1 :a:b", Transmission("N0CALL", "APRS", (), b":N0CALL-1 :a:b"), id=":"
    ),
    pytest.param(
        b"N0CALL>APRS:\xff\x00", Transmission("N0CALL", "APRS", (), b"\xff\x00"), id="8-bit"
    ),
    pytest.param(b"N0CALL>APRS:", Transmission("N0CALL", "APRS", (), b""), id="no information"),
]


@pytest.mark.parametrize("end", [b"", b"\n", b"\r", b"\r\n"])
@pytest.mark.parametrize(("line", "transmission"), LINES)
def test_line_is_decoded(line: bytes, transmission: Transmission, end: bytes) -> None:
    assert decode_line(line + end) == transmission


@pytest.mark.parametrize(("line", "transmission"), LINES)
def test_line_is_encoded(line: bytes, transmission: Transmission) -> None:
    assert encode_line(transmission) == line


def test_names_are_made_alike() -> None:
    transmission = decode_line(b"n0call-0>aprs,wide1-0*,qAr,n0call-10:x")
    assert isinstance(transmission, Transmission)
    assert transmission.sender == "N0CALL"
    assert transmission.path == ("WIDE1*", "qAr", "N0CALL-10")


def test_who_repeated_and_who_fed() -> None:
    transmission = decode_line(b"N0CALL>APRS,N0CALL-1,WIDE1*,WIDE2-1,qAR,N0CALL-10:x")
    assert isinstance(transmission, Transmission)
    assert transmission.repeated_by == ("N0CALL-1", "WIDE1")
    assert transmission.fed_by == "N0CALL-10"


def test_server_comment() -> None:
    assert decode_line(b"# logresp N0CALL unverified\r\n") == ServerComment(
        "logresp N0CALL unverified"
    )


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"", "no ':'"),
        (b"N0CALL>APRS", "no ':'"),
        (b"N0CALL:x", "no '>'"),
        (b">APRS:x", "sender ''"),
        (b"N0CALL>:x", "destination ''"),
        (b"N0 CALL>APRS:x", "sender 'N0 CALL'"),
        (b"N0CALL!>APRS:x", "sender"),
        (b"N0CALL>AP\xe9S:x", "destination"),
        (b"N0CALL>APRS,WIDE1 -1:x", "via 'WIDE1 -1' has a blank"),
        (b"A" * 100 + b">APRS:x", r"\.\.\."),
    ],
)
def test_bad_header_is_told(line: bytes, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        decode_line(line)


@pytest.mark.parametrize(
    ("header", "sender", "path", "odd"),
    [
        ("N0CALL-123>APRS", "N0CALL-123", (), ("N0CALL-123",)),
        ("N0CALL-ABC>APRS", "N0CALL-ABC", (), ("N0CALL-ABC",)),
        ("N0CALL>APRS,", "N0CALL", (), ("",)),
        ("N0CALL>APRS,,WIDE1*", "N0CALL", ("WIDE1*",), ("",)),
        (
            "N0CALL>APRS,qAS,T2-LONG-NAME-1",
            "N0CALL",
            ("qAS", "T2-LONG-NAME-1"),
            ("T2-LONG-NAME-1",),
        ),
        ("N0CALL>APRS,qAC,A.GATE_B", "N0CALL", ("qAC", "A.GATE_B"), ("A.GATE_B",)),
        ("N0CALL>APRS,W\xe9DE1*", "N0CALL", ("W?DE1*",), ("W\xe9DE1*",)),
        ("N0CALL>APRS,WIDE9-999*", "N0CALL", ("WIDE9-999*",), ("WIDE9-999*",)),
        ("N0CALL>APRS," + "G" * 60, "N0CALL", ("G" * 40,), ("G" * 40,)),
    ],
)
def test_odd_name_is_marked_and_the_packet_kept(
    header: str, sender: str, path: tuple[str, ...], odd: tuple[str, ...]
) -> None:
    read = decode_line(f"{header}:!x".encode("latin-1"))
    assert read == Transmission(sender, "APRS", path, b"!x")
    assert isinstance(read, Transmission)
    assert read.odd_names == odd
    decoding = decode("tnc2", f"{header}:!4903.50N/07201.75W-".encode("latin-1"), 1.78e9, "s")
    assert decoding.reports
    assert "odd name" in (decoding.problem or "")


def test_path_without_end_keeps_who_fed_it() -> None:
    line = b"N0CALL>APRS" + b",WIDE1" * 30 + b",qAR,N0CALL-10:x"
    read = decode_line(line)
    assert isinstance(read, Transmission)
    assert len(read.path) <= MAX_VIAS
    assert read.fed_by == "N0CALL-10"
    assert read.odd_names == ("32 vias",)


def test_bytes_that_lora_trackers_put_before() -> None:
    assert decode_line(LORA_PREFIX + b"N0CALL>APRS:!x") == Transmission("N0CALL", "APRS", (), b"!x")


def test_line_end_in_information_cannot_be_encoded() -> None:
    with pytest.raises(ValueError, match="CR or LF"):
        encode_line(Transmission("N0CALL", "APRS", (), b"a\rb"))


def test_third_party_names_the_inner_sender() -> None:
    """APRS 1.0.1, chapter 17: the outer header is the gate's, the inner one the origin's."""
    outer = decode_line(b"N0CALL-10>APRS,WIDE1*,qAR,N0CALL-12:}N0CALL-5>APRS,TCPIP,N0CALL-10*:!x")
    assert isinstance(outer, Transmission)
    inner = unwrap(outer)
    assert (inner.sender, inner.information) == ("N0CALL-5", b"!x")
    assert inner.path == ("TCPIP", "N0CALL-10*", "qAR", "N0CALL-12")
    assert inner.fed_by == "N0CALL-12"


def test_nesting_is_bounded() -> None:
    inner = b"N0CALL>APRS:>x"
    for _ in range(MAX_NESTING):
        inner = b"N0CALL>APRS:}" + inner
    deepest = decode_line(inner)
    assert isinstance(deepest, Transmission)
    assert unwrap(deepest).information == b">x"
    deeper = decode_line(b"N0CALL>APRS:}" + inner)
    assert isinstance(deeper, Transmission)
    with pytest.raises(DecodeError, match="nested"):
        unwrap(deeper)


@pytest.mark.parametrize("information", [b"}", b"}x", b"}# comment", b"}A>B"])
def test_broken_third_party_is_told(information: bytes) -> None:
    with pytest.raises(DecodeError):
        unwrap(Transmission("N0CALL", "APRS", (), information))


@given(st.binary(max_size=80).filter(lambda b: not {10, 13} & set(b)))
def test_round_trip_of_any_information(information: bytes) -> None:
    transmission = Transmission("N0CALL-9", "APRS", ("WIDE1-1*", "qAR", "N0CALL-1"), information)
    assert decode_line(encode_line(transmission)) == transmission
