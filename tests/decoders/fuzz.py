"""Seeded mutation of good input, for the short test and the long bench.

A case is a function that reads bytes and may raise DecodeError alone.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from functools import partial

from decoders import agw, aprs, ax25, fields, gpsd, json_objects, nmea, notes, phone, tnc2
from decoders.comments import CommentPattern
from decoders.decode import decode
from decoders.kiss import KissDecoder, encode_frame
from decoders.lines import LineSplitter
from decoders.reports import DecodeError, Transmission
from decoders.wires import WIRES
from tests.decoders.corpus import NAMES, ORDER, READINGS, payloads, transmissions
from tests.decoders.packets import HEARD_S

Case = Callable[[bytes], object]
_TELLING_BYTES = b"\x00\r\n\xc0\xdb\xff !#$*,-./:;>@`{|}0129AZaz_~"
_PATTERN = CommentPattern(r"(?P<t>-?\d+)T(?P<p>\d+)P", {"t": (0.1, 0.0, "degC")})


class DecoderFault(AssertionError):
    """A decoder let an exception out that is not its own."""


def _kiss(data: bytes) -> None:
    decoder = KissDecoder(max_frame_bytes=64)
    for start in range(0, len(data), 7):
        decoder.feed(data[start : start + 7])
    decoder.take_noise()


def _agw(data: bytes) -> None:
    decoder = agw.AgwDecoder()
    frames = [f for i in range(0, len(data), 7) for f in decoder.feed(data[i : i + 7])]
    for frame in frames:
        agw.decode_frame(frame)
    assert len(decoder.take_noise()) <= agw.MAX_NOISE_BYTES
    assert len(decoder.flush()) <= agw.HEADER_BYTES + agw.MAX_DATA_BYTES


def _lines(data: bytes) -> None:
    splitter = LineSplitter(max_line_bytes=64)
    splitter.feed(data)
    splitter.flush()


def _aprs(data: bytes) -> None:
    """The first bytes are the destination, which holds half of a Mic-E position."""
    destination, _, information = data.partition(b":")
    aprs.decode_information(
        Transmission("N0CALL", destination.decode("latin-1"), (), information), HEARD_S
    )


def _decode(wire: str, data: bytes) -> None:
    decoding = decode(wire, data, HEARD_S, "fuzz", READINGS.get(wire))
    if decoding.problem is not None and "fault" in decoding.problem:
        raise DecoderFault(decoding.problem)


def _without_line_ends(data: bytes) -> None:
    line = data.split(b"\n")[0].split(b"\r")[0]
    read = tnc2.decode_line(line)
    if isinstance(read, Transmission):
        assert tnc2.decode_line(tnc2.encode_line(read)) == read


CASES: dict[str, Case] = {
    "kiss": _kiss,
    "lines": _lines,
    "ax25": ax25.decode_ui,
    "ax25 with FCS": partial(ax25.decode_ui, fcs=True),
    "tnc2": _without_line_ends,
    "aprs": _aprs,
    "nmea": lambda data: nmea.decode_sentence(data, HEARD_S, "gps", without_checksum=True),
    "nmea with checksum": lambda data: nmea.decode_sentence(
        b"$" + data + f"*{nmea.checksum(data):02X}".encode(), HEARD_S, "gps"
    ),
    "gpsd": lambda data: gpsd.decode_object(data, "car"),
    "phone": lambda data: phone.decode_body(data, "phone"),
    "note": notes.decode_note,
    "agw": _agw,
    "fields": lambda data: fields.decode_sentence(data, HEARD_S, "s", ORDER),
    "fields with CRC": lambda data: fields.decode_sentence(
        b"$$" + data + f"*{fields.crc16(data):04X}".encode(), HEARD_S, "s", ORDER
    ),
    "json": lambda data: json_objects.decode_payload(data, "s", NAMES),
    "comments": lambda data: _PATTERN.read("N0CALL", data.decode("latin-1"), None),
    **{f"decode {wire}": partial(_decode, wire) for wire in WIRES},
}


def corpus(case: str) -> list[bytes]:
    """Good input for `case`."""
    sent, good = transmissions(), payloads()
    if case.startswith("decode "):
        return good[case.removeprefix("decode ")]
    if case == "kiss":
        return [encode_frame(ax25.encode_ui(one)) * 2 for one in sent]
    if case == "lines":
        return [b"\r\n".join(good["tnc2"][:5])]
    if case.startswith("ax25"):
        return [ax25.encode_ui(one, fcs="FCS" in case) for one in sent]
    if case == "aprs":
        return [one.destination.encode() + b":" + one.information for one in sent]
    if case == "nmea with checksum":
        return [line[1:-3] for line in good["nmea"] if b"*" in line]
    if case == "fields with CRC":
        return [line[2:-5] for line in good["fields"]]
    if case == "comments":
        return [b" 208T8363P", b"-1T2P"]
    return good[case]


def mutations(seeds: list[bytes], seed: int) -> Iterator[bytes]:
    """Endless: bytes changed, cut out, doubled, put in, and halves of two inputs joined."""
    chance = random.Random(seed)
    while True:
        data = bytearray(chance.choice(seeds))
        for _ in range(chance.randint(0, 4)):
            place = chance.randrange(len(data) + 1)
            kind = chance.randrange(6)
            if kind == 0 and place < len(data):
                data[place] = chance.randrange(256)
            elif kind == 1 and place < len(data):
                data[place] = chance.choice(_TELLING_BYTES)
            elif kind == 2:
                del data[place : place + chance.randint(1, 12)]
            elif kind == 3:
                data[place:place] = data[place : place + chance.randint(1, 20)]
            elif kind == 4:
                data[place:place] = bytes(
                    chance.choice(_TELLING_BYTES) for _ in range(chance.randint(1, 4))
                )
            else:
                other = chance.choice(seeds)
                data[place:] = other[chance.randrange(len(other) + 1) :]
        yield bytes(data)


def run(case: str, inputs: Iterator[bytes], read: Case | None = None) -> int:
    """Reads all of `inputs`, gives their number. DecoderFault names the input that broke it."""
    reads, count = read or CASES[case], 0
    for data in inputs:
        count += 1
        try:
            reads(data)
        except DecodeError:
            continue
        except Exception as fault:
            raise DecoderFault(f"{case}: {type(fault).__name__}: {fault} on {data!r}") from fault
    return count
