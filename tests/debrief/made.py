"""Flights for the debrief's tests, each replayed once."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from typing import Any

from ambiance import Atmosphere

from server.debrief.record import FlightRecord, replay_flights
from server.flight.inputs import FlightPlan, Plan, TrackerPlan
from server.journal.recording import DEMO_LOG, Recording, inferred_plan, read_recording
from server.plan.file import load
from tests.flights import T0, made_flight, packet, position_at


def replayed(recording: Recording, plan: Plan) -> FlightRecord:
    """The record of a recording's only flight."""
    (record,) = replay_flights(recording, plan)
    return record


@cache
def demo() -> FlightRecord:
    """The demo flight with its plan. Shared: do not change it."""
    plan = load(DEMO_LOG.with_suffix(".toml")).for_flight()
    return replayed(read_recording(DEMO_LOG), plan)


def truth_of(kind: str) -> dict[str, Any]:
    """The demo's own truth of its first event of that kind."""
    truth = json.loads(DEMO_LOG.with_suffix(".truth.json").read_text(encoding="utf-8"))
    return next(event for event in truth["events"] if event["kind"] == kind)


@cache
def plain() -> FlightRecord:
    """A short plain flight without a plan, with one fix that cannot be right and hostile names."""
    heard = list(made_flight(interval_s=60.0))
    latitude_deg, longitude_deg, altitude_m = position_at(3_000.0)
    heard.append(packet(3_010.0, position=(latitude_deg + 1.0, longitude_deg, altitude_m)))
    header = {"name": "<script>alert(1)</script> & \x07 ]]> `${alert(2)}`"}
    recording = Recording("plain.log", heard, (), header, ("line 3: hex digits expected",))
    return replayed(recording, inferred_plan(recording))


STANDARD_HUMIDITY = 60.0


@cache
def standard() -> FlightRecord:
    """The plain flight through the standard atmosphere as the library ambiance has it, with sensors."""
    heard = []
    for r in made_flight():
        air = Atmosphere(position_at(r.heard_at_s - 1.5 - T0)[2])
        celsius, pascal = air.temperature_in_celsius[0], air.pressure[0]
        said = f"{celsius * 100:.0f}T{pascal:.0f}P{STANDARD_HUMIDITY * 10:.0f}H"
        heard.append(replace(r, payload=r.payload + said.encode()))
    tracker = TrackerPlan(
        "Main",
        "N0CALL-11",
        comment_pattern=r"(?P<outside>-?\d+)T(?P<pressure>\d+)P(?P<humidity>\d+)H",
        comment_scales={
            "outside": (0.01, 0, "degC"),
            "pressure": (1, 0, "Pa"),
            "humidity": (0.1, 0, "%"),
        },
    )
    plan = Plan(flights=(FlightPlan(trackers=(tracker,)),))
    return replayed(Recording("standard.log", heard, (), {}, ()), plan)
