"""AX.25 2.2 UI frames. Oracles: crcmod for the FCS, ax253 for frames."""

from __future__ import annotations

from dataclasses import replace

import ax253
import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.ax25 import decode_ui, encode_ui, fcs
from decoders.reports import DecodeError, Transmission

callsigns = st.builds(
    lambda base, ssid: f"{base}-{ssid}" if ssid else base,
    st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789", min_size=1, max_size=6),
    st.integers(0, 15),
)
transmissions = st.builds(
    Transmission,
    callsigns,
    callsigns,
    st.lists(st.builds(str.__add__, callsigns, st.sampled_from(["", "*"])), max_size=8).map(tuple),
    st.binary(max_size=256),
)
# ax253 takes "has been repeated" for the end bit, and marks every via that equals the last one: as
# oracle it gets different vias, just the last of them repeated
for_ax253 = transmissions.map(
    lambda t: replace(t, path=(*(via.rstrip("*") for via in t.path[:-1]), *t.path[-1:]))
).filter(lambda t: len({via.rstrip("*") for via in t.path}) == len(t.path))
# AX.25 2.2: the addresses of its example, a command from N7LEM to NJ7P, as public test suites quote it
STANDARD_ADDRESSES = bytes.fromhex("9c946ea04040e09c6e988a9a4061")
FRAME = encode_ui(Transmission("N0CALL-11", "APRS", ("WIDE1-1*", "WIDE2-1"), b"!hello"))


def test_fcs_check_value() -> None:
    """CRC-16/X-25 of "123456789" is 0x906E (ISO/IEC 13239; catalogue of CRC algorithms)."""
    assert fcs(b"123456789") == 0x906E


@given(st.binary(max_size=300))
def test_fcs_agrees_with_crcmod(data: bytes) -> None:
    assert fcs(data) == crcmod.predefined.mkCrcFun("x-25")(data)


def test_addresses_of_the_standard() -> None:
    transmission = decode_ui(STANDARD_ADDRESSES + b"\x03\xf0hi")
    assert transmission == Transmission("N7LEM", "NJ7P", (), b"hi")
    assert encode_ui(transmission) == STANDARD_ADDRESSES + b"\x03\xf0hi"


@given(transmissions, st.booleans())
def test_round_trip(transmission: Transmission, with_fcs: bool) -> None:
    assert decode_ui(encode_ui(transmission, fcs=with_fcs), fcs=with_fcs) == transmission


@given(for_ax253)
def test_ax253_reads_what_is_encoded(transmission: Transmission) -> None:
    frame = ax253.Frame.from_bytes(encode_ui(transmission))
    assert str(frame.source) == transmission.sender
    assert str(frame.destination).rstrip("*") == transmission.destination  # it shows the C bit
    assert tuple(str(via) for via in frame.path) == transmission.path
    assert frame.info == transmission.information


@given(for_ax253)
def test_decodes_what_ax253_writes(transmission: Transmission) -> None:
    frame = ax253.Frame.ui(
        destination=transmission.destination,
        source=transmission.sender,
        path=list(transmission.path),
        info=transmission.information,
    )
    assert decode_ui(bytes(frame)) == transmission


def test_poll_bit_is_allowed() -> None:
    assert decode_ui(FRAME.replace(b"\x03\xf0", b"\x13\xf0")).information == b"!hello"


def test_every_repeated_via_keeps_its_mark() -> None:
    path = ("RELAY-1*", "WIDE1*", "WIDE2-1")
    transmission = decode_ui(encode_ui(Transmission("N0CALL", "APRS", path, b"x")))
    assert transmission.path == path
    assert transmission.repeated_by == ("RELAY-1", "WIDE1")


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        pytest.param(b"", "ends inside its addresses", id="empty"),
        pytest.param(FRAME[:20], "ends inside its addresses", id="cut in an address"),
        pytest.param(FRAME[:28], "before its control", id="cut before control"),
        pytest.param(FRAME[:29], "before its control", id="cut before PID"),
        pytest.param(FRAME.replace(b"\x03\xf0", b"\x3f\xf0"), "control 0x3F", id="SABM"),
        pytest.param(FRAME.replace(b"\x03\xf0", b"\x03\xcf"), "PID 0xCF", id="NET/ROM"),
        pytest.param(FRAME[:7] + b"\x40" * 6 + FRAME[13:], "callsign ''", id="empty sender"),
        pytest.param(FRAME[:7] + b"\x42" + FRAME[8:], "callsign '!", id="sender with a mark"),
        pytest.param(b"\x9d" + FRAME[1:], "ends inside a callsign", id="end bit in a letter"),
        pytest.param(FRAME[:6] + b"\x61" + FRAME[7:], "ends before the source", id="one address"),
        pytest.param(FRAME[:14] * 6 + b"\x03\xf0", "no end after eight", id="twelve addresses"),
    ],
)
def test_damaged_frame_is_told(frame: bytes, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        decode_ui(frame)


def with_names(*names: str) -> bytes:
    """A frame to names[0] from names[1] through the others, whatever their characters."""
    addresses = bytearray()
    for name in names:
        addresses += bytes(ord(letter) << 1 for letter in name.ljust(6)) + b"\xe0"
    addresses[-1] |= 0x01
    return bytes(addresses) + b"\x03\xf0>up"


@pytest.mark.parametrize(
    ("names", "path", "odd"),
    [
        (("APRS", "N0CALL", ""), ("?*",), ("",)),
        (("APRS", "N0CALL", "wide1"), ("WIDE1*",), ("wide1",)),
        (("APRS", "N0CALL", "WID-1", "WIDE2"), ("WID?1*", "WIDE2*"), ("WID-1",)),
        (("APRS", "n0call"), (), ("n0call",)),
        (("apRS", "N0CALL"), (), ("apRS",)),
    ],
)
def test_odd_name_is_marked_and_the_packet_kept(
    names: tuple[str, ...], path: tuple[str, ...], odd: tuple[str, ...]
) -> None:
    frame = decode_ui(with_names(*names))
    assert frame == Transmission("N0CALL", "APRS", path, b">up")
    assert frame.odd_names == odd


def test_wrong_fcs_is_told() -> None:
    good = encode_ui(Transmission("N0CALL", "APRS", (), b"x"), fcs=True)
    with pytest.raises(DecodeError, match="FCS is"):
        decode_ui(good[:-1] + bytes([good[-1] ^ 1]), fcs=True)
    with pytest.raises(DecodeError, match="too short"):
        decode_ui(b"\x01", fcs=True)


@given(st.integers(0, len(FRAME) - 7))
def test_cut_frame_is_never_a_position_elsewhere(length: int) -> None:
    with pytest.raises(DecodeError):
        decode_ui(FRAME[:length])


@pytest.mark.parametrize("callsign", ["TOOLONG1", "N0CALL-16", "n0call", "", "N0CALL-AB", "A B"])
def test_callsign_that_ax25_cannot_carry(callsign: str) -> None:
    with pytest.raises(ValueError, match="cannot carry"):
        encode_ui(Transmission(callsign, "APRS", (), b""))


def test_nine_digipeaters_do_not_fit() -> None:
    with pytest.raises(ValueError, match="at most eight"):
        encode_ui(Transmission("N0CALL", "APRS", ("WIDE1-1",) * 9, b""))
