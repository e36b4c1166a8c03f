"""Numbers at the ends of float and int, by every wire: the station lives, restarts, and says so."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from decoders.nmea import sentence
from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan, VehiclePlan
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.flight.packets import positions
from server.journal.database import Journal
from server.session.station import Station
from server.sync.entry import ChunkError, pack, unpack
from tests.flights import LAUNCH, T0, packet
from tests.seen import kinds, seen, shown
from tests.session.test_station import until
from tests.sync.made import running

PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH),
            trackers=(
                TrackerPlan("Main", "N0CALL-11"),
                TrackerPlan("Wire", source="wire"),
                TrackerPlan("Phone", source="phone", role="phone"),
            ),
        ),
    ),
    vehicles=(VehiclePlan("Car", source="gps", own=True),),
)
NUMBERS = ["1e155", "1e308", "-1e308", "-0.0", str(2**63), "9" * 400, "1e999", "NaN", "-1"]


def hostile(number: str) -> Iterator[Reception]:
    """That number in the place of each that a wire carries."""
    ms = round((T0 + 1_000.0) * 1000)
    fields = (
        "altitude",
        "accuracy",
        "altitudeAccuracy",
        "heading",
        "speed",
        "timestamp",
        "battery",
    )
    for field in fields:
        coords = f'"latitude":38.3,"longitude":-98.1,"accuracy":9,"{field}":{number}'
        yield Reception(ms, "phone", "phone", f"{{{coords}}}".encode())
    for field in (
        "lat",
        "lon",
        "altMSL",
        "altHAE",
        "track",
        "speed",
        "climb",
        "eph",
        "epx",
        "epv",
        "mode",
    ):
        said = f'{{"class":"TPV","mode":3,"lat":38.3,"lon":-98.1,"{field}":{number}}}'
        yield Reception(ms, "gps", "gpsd", said.encode())
        yield Reception(ms, "wire", "gpsd", said.encode())
    yield Reception(ms, "gps", "gpsd", f'{{"class":"SKY","uSat":{number}}}'.encode())
    for content in (
        f"GPGGA,131640,3818.0,N,09806.0,W,1,{number},{number},{number},M,{number},M,,",
        f"GPRMC,131640,A,3818.0,N,09806.0,W,{number},{number},010626,,,A",
    ):
        yield Reception(ms, "wire", "nmea", sentence(content))
    for information in (
        f"T#{number},{number},{number},{number},{number},{number},00000000",
        f":N0CALL-11:EQNS.{number},{number},{number}",
        f"!3818.00N/09806.00W_{number}/{number}g{number}t{number}/A={number}",
        f"/131640h3818.00N/09806.00WO{number}/{number}/A={number}",
    ):
        yield Reception(ms, "tnc", "tnc2", f"N0CALL-11>APZLWD:{information}".encode())


def good() -> list[Reception]:
    return [packet(t, source="tnc") for t in range(0, 1_800, 30)]


def assert_finite(value: Any) -> None:
    if isinstance(value, dict):
        for one in value.values():
            assert_finite(one)
    elif isinstance(value, list | tuple):
        for one in value:
            assert_finite(one)
    elif isinstance(value, float):
        assert math.isfinite(value)
        assert abs(value) < 1e13


@pytest.mark.parametrize("number", NUMBERS)
def test_the_flight_goes_on(number: str) -> None:
    given = [*good(), *hostile(number)]
    flight = Mission(PLAN)
    flight.receive(given)
    state = shown(flight)
    assert_finite(state)
    assert state["receptions"]["total"] == len(given)
    assert state["phase"] == "ascent"
    question = flight.flights[0].landing_question()
    assert question is not None
    assert predict(question) is not None
    again = Mission(PLAN)
    for one in random.Random(1).sample(given, len(given)):
        again.receive([one])
    assert shown(again) == state


@pytest.mark.parametrize("number", ["1e155", "9" * 400])
async def test_a_station_restarts_with_the_same_journal(number: str, tmp_path: Path) -> None:
    states = []
    path = tmp_path / "flight.sqlite3"
    with Journal(path) as journal:
        journal.append([*good(), *hostile(number)])
    for _ in range(2):
        station = Station(Mission(PLAN), Journal(path), (), lambda: T0 + 1_900.0)
        async with running(station.run()):
            await until(station, lambda: kinds(seen(station.state())) == [])  # noqa: B023 - used at once
        states.append(shown(station.mission))
        station.close()
    assert states[0] == states[1]
    assert states[0]["track"] is not None


def test_a_peer_may_send_them_too() -> None:
    for number in NUMBERS:
        for one in hostile(number):
            assert unpack(pack(one)) == one
    with pytest.raises(ChunkError):
        unpack(pack(Reception(2**62, "car-2/tnc", "tnc2", b"x")))


@pytest.mark.parametrize("heard_at_ms", [-(2**63), -1, 2**53, 2**63 - 1])
def test_a_time_of_hearing_that_cannot_be(heard_at_ms: int) -> None:
    flight, clean = Mission(PLAN), Mission(PLAN)
    flight.receive([*good(), Reception(heard_at_ms, "tnc", "tnc2", packet(30).payload)])
    clean.receive(good())
    state = shown(flight)
    assert state["now"] == shown(clean)["now"]
    assert flight.counts.unusable == 1
    assert (state["problems"][0]["kind"], state["problems"][0]["count"]) == ("unusable", 1)


def test_whatever_a_reception_does_it_is_counted_and_left_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Half taken in when it fails: the books are made again without it, in any order the same."""
    real = positions.fix_of

    def breaks(name: str, key: Any, report: Any, measured_pa: Any) -> Any:
        if report.comment == "bad":
            raise ZeroDivisionError("a fault that nobody thought of")
        return real(name, key, report, measured_pa)

    monkeypatch.setattr(positions, "fix_of", breaks)
    bad = packet(600.0, source="tnc")
    bad = Reception(bad.heard_at_ms + 5, "tnc", "tnc2", bad.payload + b"bad")
    clean = Mission(PLAN)
    clean.receive(good())
    end = None
    for seed in range(4):
        flight = Mission(PLAN)
        given = [*good(), bad]
        if seed:
            given = random.Random(seed).sample(given, len(given))
        for i in range(0, len(given), 1 + 20 * (seed % 2)):
            flight.receive(given[i : i + 1 + 20 * (seed % 2)])
        state = shown(flight)
        end = end or state
        assert state == end
        assert flight.flights[0].track.records() == clean.flights[0].track.records()
        assert flight.counts.total == len(given)
        assert flight.counts.unusable == 1
        assert state["problems"][0]["detail"] == "ZeroDivisionError"
        assert flight.senders["N0CALL-11"].health.heard == len(good())
