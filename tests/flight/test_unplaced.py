"""A car of the plan is there before anything is heard of it, so that the crew can say where it is."""

from __future__ import annotations

from server.flight.inputs import Command, Plan, VehiclePlan
from server.flight.mission import Mission
from server.flight.mission_state import UnplacedVehicle
from server.flight.view.snapshot import snapshot


def test_until_it_has_a_place_it_is_named() -> None:
    plan = Plan(
        vehicles=(VehiclePlan("Car 2", callsign="N0CALL-9"), VehiclePlan("Car 1", own=True))
    )
    mission = Mission(plan)
    state = snapshot(mission)
    assert state.unplaced == (UnplacedVehicle("Car 1", True), UnplacedVehicle("Car 2", False))
    mission.apply(Command(1_000.0, "vehicle", "Car 1", 38.0, -98.0))
    state = snapshot(mission)
    assert [one.name for one in state.vehicles] == ["Car 1"]
    assert state.unplaced == (UnplacedVehicle("Car 2", False),)
