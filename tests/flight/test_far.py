"""A tracker that is nowhere near its planned launch is told: another's, swapped, or another plan."""

from __future__ import annotations

import pytest

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, TrackerPlan
from server.flight.mission import Mission
from tests.flights import LAUNCH, packet, position_at
from tests.seen import shown

PLAN = Plan(
    flights=(FlightPlan(launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", "N0CALL-11"),)),)
)


@pytest.mark.parametrize("swapped", [True, False])
def test_latitude_and_longitude_swapped(*, swapped: bool) -> None:
    mission = Mission(PLAN)
    for second in range(0, 600, 30):
        latitude_deg, longitude_deg, altitude_m = position_at(float(second))
        if swapped:
            latitude_deg, longitude_deg = longitude_deg + 20.0, latitude_deg
        mission.receive(
            [packet(float(second), "N0CALL-11", (latitude_deg, longitude_deg, altitude_m))]
        )
    told = [p for p in shown(mission)["problems"] if p["kind"] == "far_from_launch"]
    assert [p["name"] for p in told] == (["N0CALL-11"] if swapped else [])
    if swapped:
        assert told[0]["distance_m"] > 1_000_000.0
