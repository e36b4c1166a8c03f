"""What the balloon lifted, by how it climbed, against what its gas promised."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from server.debrief.record import FlightRecord
from server.flight.physics.lift import Lift, LiftPlan, work_out

_LEAST_KG, _MOST_KG = 0.01, 50.0
_HALVINGS = 50


def effective(plan: LiftPlan, launch_altitude_m: float, rate_ms: float) -> Lift | None:
    """The lift with which the same formula gives the climb as flown; None where none does.

    The formula's coefficient scatters from flight to flight, so this is no measurement of the gas.
    """
    low_kg, high_kg = _LEAST_KG, _MOST_KG
    if (
        not _rate_ms(plan, launch_altitude_m, low_kg)
        <= rate_ms
        <= _rate_ms(plan, launch_altitude_m, high_kg)
    ):
        return None
    for _ in range(_HALVINGS):
        middle_kg = (low_kg + high_kg) / 2
        if _rate_ms(plan, launch_altitude_m, middle_kg) < rate_ms:
            low_kg = middle_kg
        else:
            high_kg = middle_kg
    return _with(plan, launch_altitude_m, (low_kg + high_kg) / 2)


def flown_lift(record: FlightRecord, rate_ms: float) -> Lift | None:
    """Of this flight; None where its plan says nothing of the gas, or the launch was not heard."""
    plan, launch = record.plan.balloon.lift_plan, record.first("launch")
    if plan is None or launch is None:
        return None
    return effective(plan, launch.altitude_m, rate_ms)


def lift_lines(record: FlightRecord, rate_ms: float | None) -> Sequence[str]:
    """Lines for the next plan's [balloon]: balloon and gas, with the lift by which it climbed."""
    plan, promised = record.plan.balloon.lift_plan, record.plan.balloon.lift
    flown = None if rate_ms is None else flown_lift(record, rate_ms)
    if plan is None or promised is None or flown is None:
        return ()
    lines = [
        f"balloon_mass_kg = {plan.balloon_mass_kg}",
        f"payload_mass_kg = {plan.payload_mass_kg}",
        f'gas = "{plan.gas}"',
        f"balloon_drag_coefficient = {plan.drag_coefficient}",
        (
            f"# the gas promised {promised.free_lift_kg:.2f} kg of free lift, and a climb of "
            f"{promised.ascent_rate_ms:.2f} m/s; it climbed as this would:"
        ),
        f"free_lift_kg = {flown.free_lift_kg:.3f}",
    ]
    if plan.burst_diameter_m is not None:
        lines.append(f"burst_diameter_m = {plan.burst_diameter_m}")
    return lines


def _rate_ms(plan: LiftPlan, launch_altitude_m: float, free_lift_kg: float) -> float:
    return _with(plan, launch_altitude_m, free_lift_kg).ascent_rate_ms


def _with(plan: LiftPlan, launch_altitude_m: float, free_lift_kg: float) -> Lift:
    other = replace(
        plan,
        gas_volume_m3=None,
        neck_lift_kg=None,
        free_lift_kg=free_lift_kg,
        burst_diameter_m=None,
    )
    return work_out(other, launch_altitude_m)
