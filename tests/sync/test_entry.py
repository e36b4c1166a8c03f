"""Entries and chunks as bytes: there and back, and any bytes that are none."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.wires import WIRES
from server.flight.inputs import Command, Reception
from server.sync.entry import ChunkError, Lane, pack, pack_chunk, unpack, unpack_chunk
from server.sync.ledger import Gap
from tests.sync.made import contents, ledger, told

ENTRIES = st.one_of(
    st.builds(
        Reception,
        st.integers(0, 4_000_000_000_000),
        st.from_regex(r"\A[a-z0-9-]{1,12}/[a-z0-9é]{1,12}\Z"),
        st.sampled_from(sorted(WIRES)),
        st.binary(max_size=300),
    ),
    st.builds(
        Command,
        st.floats(0, 4e9),
        st.sampled_from(["acknowledge", "vehicle"]),
        st.text(max_size=60),
        st.none(),
        st.none(),
        st.just("car-1"),
    ),
    st.builds(
        Command,
        st.floats(0, 4e9),
        st.sampled_from(["phase", "assign"]),
        st.text(max_size=60),
        st.none(),
        st.none(),
        st.just("car-1"),
        st.text(max_size=80),
    ),
    st.builds(
        Command,
        st.floats(0, 4e9),
        st.just("vehicle"),
        st.just("Car 2"),
        st.floats(-90, 90),
        st.floats(-180, 180),
        st.just("car-1"),
    ),
)


@given(ENTRIES)
@settings(max_examples=300, deadline=None)
def test_entries_go_there_and_back(entry: Reception | Command) -> None:
    assert unpack(pack(entry)) == entry


@given(st.binary(max_size=400))
@settings(max_examples=500, deadline=None)
def test_any_bytes_are_a_chunk_or_a_chunk_error(data: bytes) -> None:
    for prefix in (b"", b"R", b"C"):
        try:
            unpack(prefix + data)
        except ChunkError:
            continue
    with pytest.raises(ChunkError):
        unpack_chunk(data[:200])


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_a_damaged_chunk_is_a_chunk_error_or_does_not_verify(data: st.DataObject) -> None:
    giver, taker = told("car-1", slice(0, 5)), ledger("car-2")
    taker.introduce(giver.station, "car-1")
    chunk = giver.chunk(Lane(giver.station, "car-1/tnc"), 0)
    assert chunk is not None
    packed = bytearray(pack_chunk(chunk))
    at = data.draw(st.integers(0, len(packed) - 1))
    packed[at] ^= data.draw(st.integers(1, 255))
    with pytest.raises((ChunkError, Gap)):
        taker.take(unpack_chunk(bytes(packed)))
    assert contents(taker) == []


def test_a_command_of_no_flight_is_the_bytes_that_it_always_was() -> None:
    """Lanes that were signed before flights had names keep their hashes."""
    placed = Command(1_780_318_800.0, "vehicle", "Car 2", 38.5, -98.25, "car-1")
    assert pack(placed).hex() == (
        "4341da876094000000070005050176656869636c6543617220326361722d31"
        "4043400000000000c058900000000000"
    )
    said = Command(1_780_318_800.0, "phase", "landed", None, None, "car-1")
    assert pack(said).hex() == "4341da876094000000050006050070686173656c616e6465646361722d31"
