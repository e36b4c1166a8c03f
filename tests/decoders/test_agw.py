"""The AGW protocol's frames; a real software TNC speaks it in tests/sources/test_agw.py."""

from __future__ import annotations

import pytest

from decoders.agw import (
    HEADER_BYTES,
    MAX_DATA_BYTES,
    MAX_NOISE_BYTES,
    AgwDecoder,
    AgwFrame,
    decode_frame,
    encode_frame,
    looks_like,
)
from decoders.ax25 import encode_ui
from decoders.decode import decode
from decoders.reports import DecodeError, Transmission
from tests.decoders.packets import HEARD_S

SENT = Transmission("N0CALL-11", "APRS", ("WIDE1-1*",), b"!4903.50N/07201.75W-up")
RAW = encode_frame("K", b"\x00" + encode_ui(SENT), sender="N0CALL-11", destination="APRS")
TEXT = encode_frame(
    "U",
    b" 1:Fm N0CALL-11 To APRS Via WIDE1-1* <UI pid=F0 Len=22 >[12:00:00]\r"
    + SENT.information
    + b"\r\r\0",
)
VERSION = encode_frame("R", bytes([0xD5, 7, 0, 0, 0x7F, 0, 0, 0]))


@pytest.mark.parametrize("step", [1, 7, 36, 10_000])
def test_frames_in_pieces_of_any_size(step: int) -> None:
    stream = VERSION + RAW + TEXT + RAW[:20]
    decoder = AgwDecoder()
    frames = [f for i in range(0, len(stream), step) for f in decoder.feed(stream[i : i + step])]
    assert frames == [VERSION, RAW, TEXT]
    assert decoder.noise_bytes == 0
    assert decoder.flush() == RAW[:20]
    assert decoder.flush() == b""


def test_header_is_taken_apart() -> None:
    frame = decode_frame(encode_frame("K", b"xy", port=3, sender="N0CALL-11", destination="APRS"))
    assert frame == AgwFrame(3, "K", "N0CALL-11", "APRS", b"xy")


@pytest.mark.parametrize("payload", [RAW, TEXT])
def test_packet_of_a_frame(payload: bytes) -> None:
    decoding = decode("agw", payload, HEARD_S, "radio")
    assert (decoding.transmission, decoding.problem) == (SENT, None)
    assert decoding.reports


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (RAW[:30], "AGW frame of 30 bytes"),
        (RAW[:-1], "bytes of data, not"),
        (RAW + b"x", "bytes of data, not"),
        (b"\xc0" + RAW[1:5] + b"\xff" + RAW[6:], "not an AGW header"),
        (RAW[:28] + b"\xff\xff\xff\xff" + RAW[32:], "not an AGW header"),
        (encode_frame("K"), "empty KISS frame"),
        (encode_frame("K", b"\x00" + encode_ui(SENT)[:20]), "ends inside its addresses"),
        (encode_frame("U", b"rubbish"), "no ':'"),
        (encode_frame("U", b"#rubbish"), "comment in place of a packet"),
        (encode_frame("I", b"1:Fm A To B <I R1 S2 pid=F0 Len=1 >[1:2:3]\rx"), "of kind 'I'"),
    ],
)
def test_bad_frame_is_told(payload: bytes, words: str) -> None:
    decoding = decode("agw", payload, HEARD_S, "radio")
    assert decoding.reports == ()
    assert words in (decoding.problem or "")


def test_noise_is_bounded_and_the_next_frame_is_found() -> None:
    decoder = AgwDecoder()
    noise = bytes(range(256)) * 20
    assert decoder.feed(noise + RAW) == [RAW]
    assert decoder.noise_bytes == len(noise)
    assert decoder.take_noise() == noise[:MAX_NOISE_BYTES]
    assert decoder.take_noise() == b""
    decoder.feed(RAW[:28] + b"\xff" * 4 + RAW[32:])  # a length that cannot be
    assert decoder.feed(RAW)[-1:] == [RAW]


def test_what_cannot_be_encoded() -> None:
    with pytest.raises(ValueError, match="at most nine"):
        encode_frame("K", sender="N0CALL-111")
    with pytest.raises(ValueError, match="MAX_DATA_BYTES"):
        encode_frame("K", bytes(MAX_DATA_BYTES + 1))
    with pytest.raises(DecodeError):
        decode_frame(b"")


def test_its_header_is_told_from_other_bytes() -> None:
    assert looks_like(VERSION)
    assert not looks_like(VERSION[: HEADER_BYTES - 1])
    assert not looks_like(b"\xc0\x00" + encode_ui(SENT) + b"\xc0")
    assert not looks_like(b"N0CALL-11>APRS:!4903.50N/07201.75W-up and on")
