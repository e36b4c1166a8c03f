"""KISS, text, sentences and JSON by datagram, and JSON by lines of TCP."""

from __future__ import annotations

import socket

import orjson
import pytest

from decoders.ax25 import encode_ui
from decoders.decode import decode
from decoders.fields import sentence
from decoders.json_objects import MAX_BODY_BYTES
from decoders.kiss import FEND, encode_frame
from decoders.readings import JsonNames
from decoders.reports import Transmission
from server.flight.inputs import Reception
from server.sources import SourceSpec
from server.sources.framing import JSON_LINE_BYTES, WholeFramer
from tests.sources.listening import listening, tcp_counterpart
from tests.sources.test_udp_and_phone import free_port

POSITION = b"!4903.50N/07201.75W-up"
FRAME = encode_ui(Transmission("N0CALL-11", "APRS", (), POSITION))
LINE = b"N0CALL-11>APRS:" + POSITION
NAMES = JsonNames("lat", "lon", callsign="id")
OBJECT = orjson.dumps({"id": "balloon a", "lat": 46.5, "lon": -100.8}, option=orjson.OPT_INDENT_2)


async def heard_of(spec: SourceSpec, datagrams: list[bytes], count: int) -> list[Reception]:
    async with listening(spec) as heard:
        await heard.until_state("open")
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for datagram in datagrams:
                sender.sendto(datagram, ("127.0.0.1", spec.port))
        await heard.until_heard(count)
    return heard.receptions


@pytest.mark.parametrize(
    ("datagram", "payloads"),
    [
        (encode_frame(FRAME), [b"\x00" + FRAME]),
        (encode_frame(FRAME) + encode_frame(FRAME, port=1), [b"\x00" + FRAME, b"\x10" + FRAME]),
        (encode_frame(FRAME)[:-1], [b"\x00" + FRAME]),
        (encode_frame(LINE), [b"\x00" + LINE]),
        (encode_frame(b"<\xff\x01" + LINE), [b"\x00<\xff\x01" + LINE]),
    ],
)
async def test_kiss_frames_in_a_datagram(datagram: bytes, payloads: list[bytes]) -> None:
    spec = SourceSpec("s", "kiss-udp", port=free_port())
    heard = await heard_of(spec, [datagram, datagram], 2 * len(payloads))
    assert [one.payload for one in heard] == payloads * 2
    for one in heard:
        decoding = decode(one.wire, one.payload, 1.78e9, "s")
        assert decoding.problem is None
        assert decoding.transmission is not None
        assert decoding.transmission.sender == "N0CALL-11"


async def test_datagram_that_is_cut_or_no_kiss_spoils_no_other() -> None:
    spec = SourceSpec("s", "kiss-udp", port=free_port())
    bad = [b"\x00" + FRAME, b"rubbish", encode_frame(FRAME)[:20], bytes([FEND]) * 9, b""]
    heard = await heard_of(spec, [*bad, encode_frame(FRAME)], 4)
    assert heard[-1].payload == b"\x00" + FRAME
    read = [decode(one.wire, one.payload, 1.78e9, "s") for one in heard]
    assert [bool(d.reports) for d in read] == [True, False, False, True]


async def test_text_with_the_bytes_of_lora() -> None:
    spec = SourceSpec("s", "tnc2-udp", port=free_port())
    datagrams = [b"<\xff\x01" + LINE, LINE + b"\r\n", LINE + b"\n" + LINE]
    heard = await heard_of(spec, datagrams, 4)
    for one in heard:
        decoding = decode(one.wire, one.payload, 1.78e9, "s")
        assert decoding.transmission == Transmission("N0CALL-11", "APRS", (), POSITION)


@pytest.mark.parametrize("end", [b"", b"\n"])
async def test_sentences_of_fields(end: bytes) -> None:
    fields = ("callsign", "latitude_deg", "longitude_deg")
    spec = SourceSpec("s", "fields-udp", port=free_port(), fields=fields)
    good = sentence("balloon a,46.5,-100.8")
    heard = await heard_of(spec, [good + end, good[:-4] + b"0000" + end], 2)
    read = [decode(one.wire, one.payload, 1.78e9, "s", spec.reading) for one in heard]
    assert [d.problem and d.problem[:6] for d in read] == [None, "CRC-16"]


async def test_json_object_with_line_ends_in_one_datagram() -> None:
    spec = SourceSpec("s", "json-udp", port=free_port(), names=NAMES)
    heard = await heard_of(spec, [OBJECT, b" ", b"rubbish", OBJECT], 3)
    assert [one.payload for one in heard] == [OBJECT, b"rubbish", OBJECT]
    read = [decode(one.wire, one.payload, 1.78e9, "s", spec.reading) for one in heard]
    assert [len(d.reports) for d in read] == [1, 0, 1]
    assert read[0].reports[0].name == "balloon a"


async def test_json_objects_on_lines() -> None:
    flat = orjson.dumps(orjson.loads(OBJECT))
    async with (
        tcp_counterpart() as server,
        listening(
            SourceSpec("s", "json-tcp", host="127.0.0.1", port=server.port, names=NAMES)
        ) as heard,
    ):
        await heard.until_state("open")
        server.say(b"x" * (JSON_LINE_BYTES + 1) + b"\n" + flat + b"\r\n" + flat[:9] + b"\n" + flat)
        await heard.until_heard(2)
    assert heard.payloads == [flat, flat[:9]]
    assert heard.source.state.dropped == 1


def test_what_is_too_much_is_counted() -> None:
    framer = WholeFramer()
    assert framer.feed(b"x" * (MAX_BODY_BYTES + 1)) == []
    assert framer.dropped == 1
