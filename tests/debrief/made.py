"""Flights for the debrief's tests, each replayed once."""

from __future__ import annotations

from functools import cache

from server.debrief.record import FlightRecord, replay_flight
from server.logs import DEMO_LOG, Recording, inferred_plan, read_recording
from server.plan import load
from tests.flights import made_flight, packet, position_at


@cache
def demo() -> FlightRecord:
    """The demo flight with its plan. Shared: do not change it."""
    plan = load(DEMO_LOG.with_suffix(".toml")).for_flight()
    return replay_flight(read_recording(DEMO_LOG), plan)


@cache
def plain() -> FlightRecord:
    """A short plain flight without a plan, with one fix that cannot be right and hostile names."""
    heard = list(made_flight(interval_s=60.0))
    latitude_deg, longitude_deg, altitude_m = position_at(3_000.0)
    heard.append(packet(3_010.0, position=(latitude_deg + 1.0, longitude_deg, altitude_m)))
    header = {"name": "<script>alert(1)</script> & \x07 ]]> `${alert(2)}`"}
    recording = Recording("plain.log", heard, (), header, ("line 3: hex digits expected",))
    return replay_flight(recording, inferred_plan(recording))
