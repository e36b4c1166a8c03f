"""Several receivers on one gpsd have a name each."""

from __future__ import annotations

import orjson
import pytest

from decoders.decode import decode
from decoders.reports import PositionReport
from server.sources import SourceSpec
from server.sources.receivers import HELD_S, Receivers

from .listening import listening
from .real_gpsd import START_S, drive, real_gpsd

A, B = "/dev/ttyACM0", "/dev/ttyACM1"


def tpv(device: object, mode: int = 3) -> bytes:
    return orjson.dumps({"class": "TPV", "device": device, "mode": mode, "lat": 1.0, "lon": 2.0})


def test_the_first_with_a_fix_speaks_for_the_source():
    receivers = Receivers()
    assert receivers.suffix(tpv(A, mode=1), 0.0) == ""
    assert [receivers.suffix(tpv(B), 0.5), receivers.suffix(tpv(A), 0.9)] == ["", "@ttyACM0"]
    said = [receivers.suffix(tpv(d), 1.0 + i) for i in range(50) for d in (A, B)]
    assert said == ["@ttyACM0", ""] * 50


def test_another_takes_over_when_it_is_lost():
    receivers = Receivers()
    assert receivers.suffix(tpv(A), 0.0) == ""
    assert receivers.suffix(tpv(B), HELD_S) == "@ttyACM1"
    assert receivers.suffix(tpv(A, mode=1), HELD_S + 1.0) == ""
    assert receivers.suffix(tpv(B), HELD_S + 1.0) == ""
    assert receivers.suffix(tpv(A), HELD_S + 1.5) == "@ttyACM0"


def test_the_plan_may_name_it():
    receivers = Receivers(B)
    assert [receivers.suffix(tpv(d), 100.0 * i) for i in range(3) for d in (A, B)] == [
        "@ttyACM0",
        "",
    ] * 3


@pytest.mark.parametrize(
    "line",
    [b"", b"rubbish", b"[1]", b'{"class":"TPV","mode":3}', tpv(7), tpv(None), tpv(""), tpv({})],
)
def test_what_names_no_device_is_the_sources(line):
    assert Receivers(A).suffix(line, 0.0) == ""


@pytest.mark.parametrize(
    ("device", "name"),
    [
        ("/dev/" + "x" * 80, "@" + "x" * 30),
        ("udp://127.0.0.1:5000", "@127.0.0.1-5000"),
        ("a b\n", "@a-b-"),
        ("/", "@-"),
    ],
)
def test_names_are_bounded_and_without_blanks(device, name):
    assert Receivers(A).suffix(tpv(device), 0.0) == name


async def test_two_receivers_on_a_real_gpsd(tmp_path):
    """One drives 46.8 N, the other 10.0 N: under one name never the other's place."""
    logs = [tmp_path / "a.nmea", tmp_path / "b.nmea"]
    for log, latitude_deg in zip(logs, (46.8, 10.0), strict=True):
        log.write_bytes(drive(600, latitude_deg=latitude_deg))
    async with (
        real_gpsd(*logs) as port,
        listening(SourceSpec("car", "gpsd-tcp", port=port)) as heard,
    ):
        places: dict[str, list[float]] = {}

        def both() -> bool:
            places.clear()
            for one in heard.receptions:
                for report in decode(one.wire, one.payload, START_S, one.source).reports:
                    if isinstance(report, PositionReport) and report.valid:
                        places.setdefault(report.name, []).append(report.latitude_deg)
            return len(places) == 2 and all(len(found) > 5 for found in places.values())

        await heard.until(both)
    assert "car" in places
    assert all(name == "car" or name.startswith("car@") for name in places)
    for found in places.values():
        assert max(found) - min(found) < 1.0
