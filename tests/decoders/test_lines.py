"""Lines of byte streams."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.lines import LineSplitter

CASES = [
    pytest.param(b"a\nb\n", [b"a", b"b"], (0, 0), id="LF"),
    pytest.param(b"a\rb\r", [b"a", b"b"], (0, 0), id="CR"),
    pytest.param(b"a\r\nb\r\n", [b"a", b"b"], (0, 0), id="CRLF"),
    pytest.param(b"\r\n\n\r", [], (0, 0), id="empty lines"),
    pytest.param(b"a\nrest", [b"a"], (0, 0), id="unfinished"),
    pytest.param(b"12345678\nab\n", [b"12345678", b"ab"], (0, 0), id="just fits"),
    pytest.param(b"123456789\nab\n", [b"ab"], (1, 9), id="oversize"),
    pytest.param(b"1" * 50 + b"\n" + b"2" * 50 + b"\nab\n", [b"ab"], (2, 100), id="two oversize"),
    pytest.param(b"\x00\xff\n", [b"\x00\xff"], (0, 0), id="any other byte"),
]


@pytest.mark.parametrize("step", [1, 3, 1000])
@pytest.mark.parametrize(("stream", "lines", "counters"), CASES)
def test_lines(stream: bytes, lines: list[bytes], counters: tuple[int, int], step: int) -> None:
    splitter = LineSplitter(max_line_bytes=8)
    got = []
    for start in range(0, len(stream), step):
        got += splitter.feed(stream[start : start + step])
    assert got == lines
    assert (splitter.oversize, splitter.dropped_bytes) == counters


def test_flush_gives_the_unfinished_line_once() -> None:
    splitter = LineSplitter()
    assert splitter.feed(b"a\nlast") == [b"a"]
    assert splitter.flush() == b"last"
    assert splitter.flush() == b""


def test_bound_must_hold_a_byte() -> None:
    with pytest.raises(ValueError, match="at least one byte"):
        LineSplitter(0)


@given(
    st.lists(st.binary(min_size=1, max_size=20).filter(lambda b: not {10, 13} & set(b))),
    st.lists(st.integers(1, 10), max_size=60),
    st.sampled_from([b"\n", b"\r", b"\r\n"]),
)
def test_any_chunking_gives_the_same_lines(
    lines: list[bytes], sizes: list[int], end: bytes
) -> None:
    stream = b"".join(line + end for line in lines)
    splitter, got, start = LineSplitter(), [], 0
    for size in [*sizes, len(stream)]:
        got += splitter.feed(stream[start : start + size])
        start += size
    assert got == lines
