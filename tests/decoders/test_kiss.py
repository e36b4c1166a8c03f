"""KISS framing. Source: Chepponis and Karn, "The KISS TNC: A simple Host-to-TNC communications protocol".

The frames "plain", "port 5" and "escapes" are those of another decoder's public tests; the others are
written by the paper's rules.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.kiss import MAX_NOISE_BYTES, KissDecoder, KissFrame, encode_frame

FRAMES = [
    pytest.param(KissFrame(0, 0, b"TEST"), bytes.fromhex("c00054455354c0"), id="plain"),
    pytest.param(KissFrame(5, 0, b"Hello"), bytes.fromhex("c05048656c6c6fc0"), id="port 5"),
    pytest.param(KissFrame(0, 0, b"\xc0\xdb"), bytes.fromhex("c000dbdcdbddc0"), id="escapes"),
    pytest.param(KissFrame(0, 1, b"\x32"), bytes.fromhex("c00132c0"), id="TX delay"),
    pytest.param(KissFrame(15, 15, b""), bytes.fromhex("c0ffc0"), id="return"),
    pytest.param(KissFrame(12, 0, b"x"), bytes.fromhex("c0dbdc78c0"), id="type byte escaped"),
    pytest.param(KissFrame(0, 0, b"\xdc\xdd"), bytes.fromhex("c000dcddc0"), id="TFEND alone"),
]
# what a stream gives, with the counters: oversize, noise bytes, bad escapes
STREAMS = [
    pytest.param("c0c0c0", [], (0, 0, 0), id="idle"),
    pytest.param("c00061c00062c0", [b"a", b"b"], (0, 0, 0), id="one FEND between frames"),
    pytest.param("616263c00061c0", [b"a"], (0, 3, 0), id="noise first"),
    pytest.param("c00061db62c0", [b"a"], (0, 0, 1), id="bad escape is left out"),
    pytest.param("c00061dbc00062c0", [b"a", b"b"], (0, 0, 1), id="escape cut by FEND"),
    pytest.param("c000" + "61" * 9 + "c00062c0", [b"b"], (1, 0, 0), id="oversize"),
    pytest.param("c000" + "61" * 7 + "c0", [b"a" * 7], (0, 0, 0), id="just fits"),
    pytest.param("c00061", [], (0, 0, 0), id="unfinished"),
]


Feed = Callable[[KissDecoder, bytes], list[KissFrame]]


def whole(decoder: KissDecoder, data: bytes) -> list[KissFrame]:
    return decoder.feed(data)


def byte_by_byte(decoder: KissDecoder, data: bytes) -> list[KissFrame]:
    return [frame for byte in data for frame in decoder.feed(bytes([byte]))]


def with_a_tail(decoder: KissDecoder, data: bytes) -> list[KissFrame]:
    frames = decoder.feed(data + b"\x00tail")
    assert decoder.feed(b"") == []
    return frames


@pytest.mark.parametrize("feed", [whole, byte_by_byte, with_a_tail])
@pytest.mark.parametrize(("frame", "encoded"), FRAMES)
def test_frame_is_decoded(frame: KissFrame, encoded: bytes, feed: Feed) -> None:
    assert feed(KissDecoder(), encoded) == [frame]


@pytest.mark.parametrize(("frame", "encoded"), FRAMES)
def test_frame_is_encoded(frame: KissFrame, encoded: bytes) -> None:
    assert encode_frame(frame.data, frame.port, frame.command) == encoded
    assert frame.payload[:1] == bytes([frame.port << 4 | frame.command])


@pytest.mark.parametrize("feed", [whole, byte_by_byte])
@pytest.mark.parametrize(("stream", "data", "counters"), STREAMS)
def test_stream(stream: str, data: list[bytes], counters: tuple[int, int, int], feed: Feed) -> None:
    decoder = KissDecoder(max_frame_bytes=8)
    assert [frame.data for frame in feed(decoder, bytes.fromhex(stream))] == data
    assert (decoder.oversize, decoder.noise_bytes, decoder.bad_escapes) == counters


def test_noise_is_handed_over_once_and_bounded() -> None:
    decoder = KissDecoder()
    decoder.feed(b"login: \xc0\x00ok\xc0")
    assert decoder.take_noise() == b"login: "
    assert decoder.take_noise() == b""
    flooded = KissDecoder()
    flooded.feed(b"x" * (3 * MAX_NOISE_BYTES))
    assert len(flooded.take_noise()) == MAX_NOISE_BYTES
    assert flooded.noise_bytes == 3 * MAX_NOISE_BYTES


def test_frame_without_end_holds_no_more_than_its_bound() -> None:
    decoder = KissDecoder(max_frame_bytes=100)
    decoder.feed(b"\xc0" + b"x" * 100_000)
    assert decoder.oversize == 1
    assert decoder.feed(b"\xc0\x00ok\xc0") == [KissFrame(0, 0, b"ok")]


def test_flush_gives_the_unfinished_frame_once() -> None:
    decoder = KissDecoder()
    decoder.feed(b"\xc0\x00cut")
    assert decoder.flush() == b"\x00cut"
    assert decoder.flush() == b""
    assert decoder.feed(b"noise\xc0\x00ok\xc0") == [KissFrame(0, 0, b"ok")]
    decoder.feed(b"\x00cut\xdb")
    assert decoder.flush() == b"\x00cut"
    decoder.feed(b"\xc0\x00ok\xc0")
    assert decoder.bad_escapes == 0


@pytest.mark.parametrize(("port", "command"), [(16, 0), (-1, 0), (0, 16), (0, -1)])
def test_port_and_command_out_of_range(port: int, command: int) -> None:
    with pytest.raises(ValueError, match="0 to 15"):
        encode_frame(b"", port, command)


def test_bound_must_hold_a_byte() -> None:
    with pytest.raises(ValueError, match="at least one byte"):
        KissDecoder(max_frame_bytes=0)


@given(
    st.lists(st.tuples(st.binary(max_size=40), st.integers(0, 15)), max_size=6),
    st.lists(st.integers(1, 30), max_size=60),
)
def test_any_chunking_gives_the_same_frames(
    frames: list[tuple[bytes, int]], sizes: list[int]
) -> None:
    stream = b"".join(encode_frame(data, port) for data, port in frames)
    decoder, got, start = KissDecoder(), [], 0
    for size in [*sizes, len(stream)]:
        got += decoder.feed(stream[start : start + size])
        start += size
    assert got == [KissFrame(port, 0, data) for data, port in frames]


@given(st.binary(max_size=200))
def test_resynchronises_after_any_garbage(garbage: bytes) -> None:
    decoder = KissDecoder()
    decoder.feed(garbage)
    assert decoder.feed(encode_frame(b"fix"))[-1] == KissFrame(0, 0, b"fix")
