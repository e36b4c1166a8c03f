"""Text over serial lines: TNCs in terminal mode, switching one to KISS, sentences of fields."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from decoders.ax25 import encode_ui
from decoders.decode import decode
from decoders.fields import sentence
from decoders.kiss import encode_frame
from decoders.reports import Transmission
from server.sources import SourceSpec, kiss_on_words
from server.sources import source as source_module
from server.sources.framing import MonitorFramer
from tests.sources.listening import PATIENCE_S, Cable, listening, tcp_counterpart

POSITION = "!4903.50N/07201.75W-up"
FRAME = encode_ui(Transmission("N0CALL-11", "APRS", (), POSITION.encode()))
SAID = (
    f"N0CALL-11>APRS,WIDE1-1*:{POSITION}\r\n"
    f"cmd:N0CALL-12>APRS <UI>:\r\n{POSITION}\r\n"
    f"fm N0CALL-13 to APRS via WIDE1-1* ctl UI^ pid F0\r\n{POSITION}\r\n"
    f"<\xff\x01N0CALL-14>APRS:{POSITION}\r\n"
    "cmd:\r\n"
).encode("latin-1")


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    made = Cable(tmp_path / "ttyTEST")
    made.plug_in()
    yield made
    made.unplug()


def senders(payloads: list[bytes]) -> list[str]:
    found = [decode("tnc2", payload, 1.78e9, "s") for payload in payloads]
    return [d.transmission.sender for d in found if d.transmission and d.reports]


async def test_terminal_mode_over_a_serial_line(cable: Cable) -> None:
    async with listening(SourceSpec("s", "tnc2-serial", device=str(cable.path))) as heard:
        await heard.until_state("open")
        for start in range(0, len(SAID), 7):
            cable.say(SAID[start : start + 7])
        await heard.until_heard(5)
    assert {one.wire for one in heard.receptions} == {"tnc2"}
    assert senders(heard.payloads) == ["N0CALL-11", "N0CALL-12", "N0CALL-13", "N0CALL-14"]
    assert heard.payloads[-1] == b"cmd:"  # kept, though nobody can read it


async def test_terminal_mode_over_tcp() -> None:
    async with (
        tcp_counterpart() as tnc,
        listening(SourceSpec("s", "tnc2-tcp", host="127.0.0.1", port=tnc.port)) as heard,
    ):
        await heard.until_state("open")
        tnc.say(SAID)
        await heard.until_heard(5)
    assert senders(heard.payloads) == ["N0CALL-11", "N0CALL-12", "N0CALL-13", "N0CALL-14"]


@pytest.mark.parametrize(
    ("lines", "payloads"),
    [
        ([b"A>B:", b"A>B:>x"], [b"A>B:", b"A>B:>x"]),
        ([b"A>B:", b"A>C:", b">x"], [b"A>B:", b"A>C:\r>x"]),
        ([b"fm A to B ctl UI pid F0", b">x", b">y"], [b"fm A to B ctl UI pid F0\r>x", b">y"]),
        ([b"A>B:", b"# remark", b">x"], [b"A>B:\r>x"]),
        ([b"A>B:"], []),
    ],
)
def test_a_header_waits_for_the_next_line_alone(lines: list[bytes], payloads: list[bytes]) -> None:
    framer = MonitorFramer()
    assert framer.feed(b"\r\n".join(lines) + b"\r\n") == payloads
    framer.finish()
    assert framer.dropped == (0 if payloads else 1)


async def test_tnc_is_put_into_kiss_mode_where_the_plan_asks(
    cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(source_module, "KISS_ON_PAUSE_S", 0.0)
    spec = SourceSpec(
        "s", "kiss-serial", device=str(cable.path), baud=1200, kiss_on=("KISS ON", "RESTART")
    )
    assert kiss_on_words(spec).endswith("at 1200 baud into KISS mode: sends 'KISS ON', 'RESTART'")
    async with listening(spec) as heard:
        told = b""
        async with asyncio.timeout(PATIENCE_S):
            while not told.endswith(b"RESTART\r"):
                told += await asyncio.to_thread(os.read, cable.far_end, 100)
        await heard.until_state("open")
        cable.say(b"KISS on\r\n" + encode_frame(FRAME))
        await heard.until(lambda: b"\x00" + FRAME in heard.payloads)
    assert told == b"KISS ON\rRESTART\r"
    said = [state.reason for state in heard.states]
    assert said.index(kiss_on_words(spec)) < said.index("connected, nothing heard yet")


async def test_nothing_is_sent_unless_the_plan_asks(cable: Cable) -> None:
    async with listening(SourceSpec("s", "kiss-serial", device=str(cable.path))) as heard:
        await heard.until_state("open")
        cable.say(encode_frame(FRAME))
        await heard.until_heard(1)
    os.set_blocking(cable.far_end, False)
    with pytest.raises(BlockingIOError):
        os.read(cable.far_end, 100)


async def test_sentences_of_fields_over_a_serial_line(cable: Cable) -> None:
    fields = ("callsign", "time", "latitude_deg", "longitude_deg", "altitude_m")
    spec = SourceSpec("s", "fields-serial", device=str(cable.path), fields=fields)
    good = sentence("balloon a,12:00:00,46.5,-100.8,12345")
    async with listening(spec) as heard:
        await heard.until_state("open")
        cable.say(b"\xfe\x81noise" + good + b"\r\n" + good[:30] + b"\n" + good[:-1] + b"!\n")
        await heard.until_heard(3)
    assert {one.wire for one in heard.receptions} == {"fields"}
    read = [decode("fields", p, 1.78e9, "s", spec.reading) for p in heard.payloads]
    assert [bool(d.reports) for d in read] == [True, False, False]
    assert read[0].reports[0].name == "balloon a"
