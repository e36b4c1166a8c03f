"""A real gpsd (Debian's gpsd), fed by its own fake receiver."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from decoders.decode import decode
from decoders.reports import PositionReport
from server.flight.inputs import Plan
from server.flight.mission import Mission
from server.sources import SourceSpec
from tests.sources.listening import listening, tcp_counterpart
from tests.sources.real_gpsd import START_S, drive, real_gpsd

WATCH = b'?WATCH={"enable":true,"json":true}'
TPV = b'{"class":"TPV","mode":3,"lat":1.0,"lon":2.0}'


async def test_real_gpsd_gives_the_cars_position(tmp_path: Path) -> None:
    log = tmp_path / "car.nmea"
    log.write_bytes(drive(600))
    async with real_gpsd(log) as port, listening(SourceSpec("car", "gpsd-tcp", port=port)) as heard:
        fixes: list[PositionReport] = []

        def found() -> bool:
            fixes[:] = [
                report
                for one in heard.receptions
                for report in decode(one.wire, one.payload, START_S, one.source).reports
                if isinstance(report, PositionReport) and report.valid and report.time_s
            ]
            return len(fixes) >= 3

        await heard.until(found)
    fix = fixes[-1]
    assert fix.name == "car"
    assert 46.8 <= fix.latitude_deg < 46.9
    assert fix.longitude_deg == pytest.approx(-100.8, abs=1e-6)
    assert fix.altitude_m == pytest.approx(520.0, abs=0.5)
    assert not any(b'"class":"VERSION"' in payload for payload in heard.payloads)


async def test_greeting_is_left_out_and_the_rest_is_kept() -> None:
    greeting = b'{"class":"VERSION","release":"3"}\r\n'
    async with (
        tcp_counterpart(greeting) as gpsd,
        listening(SourceSpec("car", "gpsd-tcp", port=gpsd.port)) as heard,
    ):
        await gpsd.until(lambda: WATCH in gpsd.told)
        gpsd.say(b'{"class":"DEVICES","devices":[]}\r\n')
        await heard.until_state("open", "gpsd runs but has no receiver")
        gpsd.say(b'{"class":"DEVICES","devices":[{"path":"/dev/ttyACM0"}]}\r\n')
        await heard.until(lambda: heard.source.state.reason is None)
        kept = [TPV, b'{"class":"SKY"}', b'{"class":"NEW"}', b'{"class":"WATCH', b"rubbish"]
        gpsd.say(b'{"class":"WATCH","enable":true}\r\n' + b"\r\n".join(kept) + b"\r\n")
        gpsd.say(b'["DEVICE"]\r\n')
        await heard.until_heard(6)
    assert heard.payloads == [*kept, b'["DEVICE"]']


async def test_gpsd_without_receiver_is_quiet_for_a_reason() -> None:
    async with tcp_counterpart(b'{"class":"DEVICES","devices":[]}\r\n') as gpsd:
        spec = SourceSpec("car", "gpsd-tcp", port=gpsd.port, quiet_after_s=0.05)
        async with listening(spec) as heard:
            await heard.until_state("quiet", "has no receiver")


async def test_two_receivers_on_a_real_gpsd_do_not_alternate(tmp_path: Path) -> None:
    """One drives at 46.8 N, the other at 10 N: under one name never the other's place."""
    logs = [tmp_path / "a.nmea", tmp_path / "b.nmea"]
    for log, latitude_deg in zip(logs, (46.8, 10.0), strict=True):
        log.write_bytes(drive(600, latitude_deg=latitude_deg))
    async with (
        real_gpsd(*logs) as port,
        listening(SourceSpec("car", "gpsd-tcp", port=port)) as heard,
    ):
        flight, taken = Mission(Plan()), 0

        def both() -> bool:
            nonlocal taken
            flight.receive(heard.receptions[taken:])
            taken = len(heard.receptions)
            return len(flight.senders) == 2 and all(
                len(sender.packets) > 5 for sender in flight.senders.values()
            )

        await heard.until(both)
    assert "car" in flight.senders
    for name, sender in flight.senders.items():
        assert name == "car" or name.startswith("car@")
        halves = [
            report.latitude_deg > 30.0
            for packet in sender.packets
            for report in packet.reports
            if isinstance(report, PositionReport) and report.valid
        ]
        turns = sum(a != b for a, b in itertools.pairwise(halves))
        assert turns <= 1  # the first may have had a fix before the other was there
