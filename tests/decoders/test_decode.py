"""The single door: what one reception says, of every wire."""

from __future__ import annotations

import math
import re
from dataclasses import fields
from datetime import datetime

import pytest

from decoders.ax25 import encode_ui
from decoders.decode import decode
from decoders.fields import crc16
from decoders.kiss import encode_frame
from decoders.reports import PositionReport, StatusReport, Transmission
from decoders.wires import WIRES
from tests.decoders.corpus import READINGS, payloads
from tests.decoders.packets import HEARD_S
from tests.flights import real_logs

SENT = Transmission("N0CALL-11", "APRS", ("WIDE1-1*",), b"!4903.50N/07201.75W-up")
FRAME = encode_ui(SENT)


@pytest.mark.parametrize(
    "payload",
    [
        pytest.param(b"\x00" + FRAME, id="type byte and frame"),
        pytest.param(b"\x50" + FRAME, id="port 5"),
        pytest.param(b"\xa0" + FRAME, id="port 10"),
        pytest.param(FRAME, id="bare frame"),
        pytest.param(encode_frame(FRAME), id="stream"),
        pytest.param(encode_frame(FRAME, port=5)[:-1], id="stream without its last FEND"),
    ],
)
def test_forms_of_a_kiss_payload(payload: bytes) -> None:
    decoding = decode("kiss", payload, HEARD_S, "radio")
    assert (decoding.transmission, decoding.problem) == (SENT, None)
    (report,) = decoding.reports
    assert isinstance(report, PositionReport)
    assert report.name == "N0CALL-11"


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"", "empty KISS frame"),
        (b"\x01\x32", "KISS command 1, not data"),
        (b"\xff", "KISS command 15, not data"),
        (b"\xc0\xc0", "without a whole frame"),
        (b"\x00" + FRAME[:20], "ends inside its addresses"),
        (b"\x60" + FRAME[:20], "ends inside its addresses"),
        (b"\x00", "ends inside its addresses"),
    ],
)
def test_kiss_problems(payload: bytes, words: str) -> None:
    decoding = decode("kiss", payload, HEARD_S, "radio")
    assert decoding.reports == ()
    assert words in (decoding.problem or "")


LINE = b"N0CALL-11>APRS,WIDE1-1*:!4903.50N/07201.75W-up"


@pytest.mark.parametrize(
    "payload",
    [
        pytest.param(b"\x00" + LINE, id="text in place of the frame"),
        pytest.param(b"\x10" + LINE + b"\r\n", id="port 1, with line end"),
        pytest.param(b"\x00<\xff\x01" + LINE, id="with the bytes of LoRa"),
        pytest.param(b"<\xff\x01" + LINE, id="without a type byte"),
        pytest.param(encode_frame(b"<\xff\x01" + LINE), id="stream"),
    ],
)
def test_text_inside_kiss(payload: bytes) -> None:
    decoding = decode("kiss", payload, HEARD_S, "radio")
    assert (decoding.transmission, decoding.problem) == (SENT, None)
    assert isinstance(decoding.reports[0], PositionReport)


def test_two_frames_in_one_reception() -> None:
    decoding = decode("kiss", encode_frame(FRAME) * 2, HEARD_S, "radio")
    assert decoding.reports
    assert decoding.problem == "first of 2 KISS frames was read"


@pytest.mark.parametrize("end", [b"", b"\r", b"\n", b"\r\n", b"\rsecond line"])
def test_copies_by_radio_and_internet_are_the_same(end: bytes) -> None:
    """Gates cut at the first line end; a TNC hands the frame over with it."""
    frame = encode_ui(Transmission("N0CALL-11", "APRS", (), SENT.information + end))
    by_radio = decode("kiss", b"\x00" + frame, HEARD_S, "radio").transmission
    line = b"N0CALL-11>APRS,qAR,N0CALL-1:" + SENT.information
    by_internet = decode("tnc2", line, HEARD_S, "internet").transmission
    assert by_radio is not None
    assert by_internet is not None
    assert by_radio.information == by_internet.information
    assert by_radio.sender == by_internet.sender


def test_third_party_packet_is_its_senders() -> None:
    line = b"N0CALL-10>APRS,qAR,N0CALL-1:}N0CALL-5>APRS,TCPIP,N0CALL-10*:>up"
    decoding = decode("tnc2", line, HEARD_S, "internet")
    assert decoding.transmission is not None
    assert decoding.transmission.sender == "N0CALL-5"
    assert decoding.reports == (StatusReport("N0CALL-5", "up"),)


def test_transmission_is_kept_when_its_information_cannot_be_read() -> None:
    decoding = decode("tnc2", b"N0CALL>APRS:{Q", HEARD_S, "internet")
    assert decoding.transmission == Transmission("N0CALL", "APRS", (), b"{Q")
    assert decoding.problem is not None
    broken = decode("tnc2", b"N0CALL>APRS:}broken", HEARD_S, "internet")
    assert broken.transmission == Transmission("N0CALL", "APRS", (), b"}broken")


def test_server_comment_is_a_status() -> None:
    decoding = decode("tnc2", b"# logresp N0CALL unverified", HEARD_S, "internet")
    assert decoding.reports == (StatusReport("internet", "logresp N0CALL unverified"),)


@pytest.mark.parametrize("wire", ["nmea", "gpsd", "phone"])
def test_reports_are_named_after_their_source(wire: str) -> None:
    decoding = decode(wire, payloads()[wire][0], HEARD_S, "source")
    assert {report.name for report in decoding.reports} == {"source"}
    assert decoding.problem is None


@pytest.mark.parametrize("wire", [*WIRES, "smoke"])
@pytest.mark.parametrize("payload", [b"", b"\x00", b"\xff" * 3000, b"rubbish"])
@pytest.mark.parametrize("heard_at_s", [HEARD_S, float("nan"), float("inf"), -1e300])
def test_never_raises(wire: str, payload: bytes, heard_at_s: float) -> None:
    for reading in (READINGS.get(wire), None):
        decoding = decode(wire, payload, heard_at_s, "source", reading)
        assert decoding.problem
        assert "fault" not in decoding.problem


@pytest.mark.parametrize("wire", sorted(WIRES))
@pytest.mark.parametrize("heard_at_s", [float("nan"), float("inf"), 1e300])
def test_impossible_moment_of_hearing_is_no_fault(wire: str, heard_at_s: float) -> None:
    for payload in payloads()[wire]:
        decoding = decode(wire, payload, heard_at_s, "source", READINGS.get(wire))
        assert "fault" not in (decoding.problem or "")


@pytest.mark.parametrize("wire", ["fields", "json"])
def test_without_the_plan_it_is_undecodable(wire: str) -> None:
    """A log that is played without its plan, or with one that names other fields."""
    for reading in (None, READINGS["nmea"]):
        decoding = decode(wire, payloads()[wire][0], HEARD_S, "lora", reading)
        assert decoding.reports == ()
        assert "the plan does not say of source 'lora'" in (decoding.problem or "")


def test_bad_phone_entry_is_a_problem_beside_the_good_ones() -> None:
    body = b'[{"latitude":1,"longitude":2},{"latitude":99,"longitude":2}]'
    decoding = decode("phone", body, HEARD_S, "phone")
    assert len(decoding.reports) == 1
    assert (decoding.problem or "").startswith("1 of 2 not wholly read")


def test_every_packet_of_the_flown_flights_is_read() -> None:
    """50 real flights; the lag of 405 s at most was measured by their publisher's reader."""
    packets, worst_lag_s = 0, 0.0
    for log in real_logs():
        for line in log.read_bytes().splitlines():
            if line.startswith(b"#"):
                continue
            heard, source, wire, payload = line.split(b" ", 3)
            heard_s = datetime.fromisoformat(heard.decode()).timestamp()
            decoding = decode(wire.decode(), payload, heard_s, source.decode())
            assert decoding.problem is None, (line, decoding.problem)
            report = decoding.reports[0]
            assert isinstance(report, PositionReport)
            assert report.altitude_m is not None
            assert report.time_s is not None
            worst_lag_s = max(worst_lag_s, abs(heard_s - report.time_s))
            packets += 1
    assert packets == 22_034
    assert worst_lag_s < 406.0


HUGE = ["9" * 400, "1e999", "-1e999", "NaN", "Infinity", "-inf", "1e-999", "0x10", "１２"]


@pytest.mark.parametrize("text", HUGE)
@pytest.mark.parametrize("wire", ["fields", "json", "nmea", "gpsd", "phone"])
def test_absurd_numbers_are_bounded(wire: str, text: str) -> None:
    """Each number of each payload in turn: what comes out is finite, or nothing does."""
    number = re.compile(rb"(?<![\w.-])-?\d+(?:\.\d+)?(?![\w.])")
    for payload in payloads()[wire][:2]:
        for match in number.finditer(payload):
            made = payload[: match.start()] + text.encode() + payload[match.end() :]
            if wire == "fields":
                content = made[2:].rpartition(b"*")[0]
                made = b"$$" + content + b"*%04X" % crc16(content)
            decoding = decode(wire, made, HEARD_S, "s", READINGS.get(wire))
            assert "fault" not in (decoding.problem or "")
            for report in decoding.reports:
                values = list(getattr(report, "values", {}).values())
                values += [
                    v for f in fields(report) if isinstance(v := getattr(report, f.name), float)
                ]
                assert all(math.isfinite(value) for value in values), (made, report)
