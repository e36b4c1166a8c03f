"""Lift, climb and burst against the textbook, handbook figures and reference libraries."""

from __future__ import annotations

import math

import ambiance
import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from server.debrief.sentences import lift_words
from server.flight.physics.lift import (
    BURST_SIGMA_M,
    RATE_RELATIVE_SIGMA,
    LiftPlan,
    diameter_m,
    lift_per_m3,
    work_out,
)
from server.plan.file import PlanError, parse
from tests.flights import flown, real_index, real_logs

G = 9.80665
USUAL = LiftPlan(1.5, 5.9, neck_lift_kg=7.9, burst_diameter_m=9.1)


def test_archimedes_longhand() -> None:
    # ideal gases of 288.15 K and 101,325 Pa: density p M / (R T), R = 8.314462618 J/(mol K)
    air, helium = (101_325.0 * m / (8.314462618 * 288.15) for m in (0.0289644, 0.0040026))
    assert lift_per_m3("helium", 0.0) == pytest.approx(air - helium, rel=1e-4)
    lift = work_out(LiftPlan(1.0, 2.0, gas_volume_m3=4.0), 0.0)
    assert lift.gross_lift_kg == pytest.approx(4.0 * (air - helium), rel=1e-4)
    assert lift.neck_lift_kg == pytest.approx(lift.gross_lift_kg - 1.0)
    assert lift.free_lift_kg == pytest.approx(lift.gross_lift_kg - 3.0)


def test_three_ways_to_say_the_gas_agree() -> None:
    by_volume = work_out(LiftPlan(1.5, 5.9, gas_volume_m3=9.5, burst_diameter_m=9.1), 1_500.0)
    by_neck = work_out(
        LiftPlan(1.5, 5.9, neck_lift_kg=by_volume.neck_lift_kg, burst_diameter_m=9.1), 1_500.0
    )
    by_free = work_out(
        LiftPlan(1.5, 5.9, free_lift_kg=by_volume.free_lift_kg, burst_diameter_m=9.1), 1_500.0
    )
    for other in (by_neck, by_free):
        assert other.gas_volume_m3 == pytest.approx(9.5)
        assert other.burst_altitude_m == pytest.approx(by_volume.burst_altitude_m)


def test_the_climb_balances_drag() -> None:
    """An ODE of the rise from rest settles at the terminal speed: m dv/dt = F - ½ ρ v² C A."""
    lift = work_out(USUAL, 1_500.0)
    rho = float(ambiance.Atmosphere(1_500.0).density[0])
    area_m2 = math.pi / 4 * diameter_m(lift.gas_volume_m3) ** 2

    def rate(_: float, v: np.ndarray) -> np.ndarray:
        force = lift.free_lift_kg * G - 0.5 * rho * v * np.abs(v) * USUAL.drag_coefficient * area_m2
        return np.asarray(force / 9.0)

    solved = solve_ivp(rate, (0.0, 120.0), [0.0], rtol=1e-8)
    assert lift.ascent_rate_ms == pytest.approx(solved.y[0, -1], rel=1e-3)


def test_the_burst_is_where_the_gas_fills_the_balloon() -> None:
    """Hydrostatics integrated by scipy over ambiance's temperatures; p V / T of the gas is kept."""
    lift = work_out(USUAL, 1_500.0)
    start = ambiance.Atmosphere(1_500.0)
    p0, t0 = float(start.pressure[0]), float(start.temperature[0])

    def rate(z: float, p: np.ndarray) -> np.ndarray:
        air = ambiance.Atmosphere(z)
        return -p * float(air.grav_accel[0]) * 0.0289644 / (8.31432 * float(air.temperature[0]))

    solved = solve_ivp(rate, (1_500.0, 40_000.0), [p0], rtol=1e-8, dense_output=True, max_step=200)

    assert solved.sol is not None
    pressure_pa = solved.sol

    def too_small(z: float) -> float:
        temperature = float(ambiance.Atmosphere(z).temperature[0])
        volume = lift.gas_volume_m3 * p0 / float(pressure_pa(z)[0]) * temperature / t0
        return volume - math.pi / 6 * 9.1**3

    assert lift.burst_altitude_m == pytest.approx(brentq(too_small, 2_000.0, 40_000.0), abs=30.0)


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (LiftPlan(1.5, 5.9, gas_volume_m3=5.0), "does not rise"),
        (LiftPlan(1.5, 5.9, neck_lift_kg=5.0), "does not rise"),
        (LiftPlan(1.5, 5.9, neck_lift_kg=7.9, burst_diameter_m=2.0), "on the ground"),
        (LiftPlan(0.1, 0.1, free_lift_kg=0.1, burst_diameter_m=30.0), "do not fill"),
        (LiftPlan(1.5, 5.9), "give one of"),
        (LiftPlan(1.5, 5.9, gas_volume_m3=9.0, neck_lift_kg=9.0), "give one of"),
    ],
)
def test_what_cannot_be_is_said(plan: LiftPlan, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        work_out(plan, 500.0)


PLAN = """
[flight]
name = "x"
[launch]
latitude_deg = 38.0
longitude_deg = -98.0
altitude_m = 500
[balloon]
{}
[descent]
mass_kg = 5.9
parachute_diameter_m = 3.05
[[trackers]]
name = "Main"
callsign = "N0CALL-11"
"""


def test_the_plan_is_worked_out_and_what_is_given_wins() -> None:
    gas = "balloon_mass_kg = 1.5\nneck_lift_kg = 7.9\nburst_diameter_m = 9.1\n"
    worked = parse(PLAN.format(gas)).for_flight().flights[0].balloon
    assert worked.lift is not None
    assert worked.ascent_rate_ms == worked.lift.ascent_rate_ms
    assert worked.burst_altitude_m == worked.lift.burst_altitude_m
    assert "maker's table and a licensed or experienced hand decide" in lift_words(worked.lift)
    given = parse(PLAN.format(gas + "burst_altitude_m = 28_000\nascent_rate_ms = 4.5")).for_flight()
    assert given.flights[0].balloon.burst_altitude_m == 28_000.0
    assert given.flights[0].balloon.ascent_rate_ms == 4.5
    assert parse(PLAN.format("")).for_flight().flights[0].balloon.lift is None


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("balloon_mass_kg = 1.5", "goes with one of"),
        ("neck_lift_kg = 7.9", "goes with one of"),
        ("burst_diameter_m = 9.1", "needs balloon_mass_kg"),
        ("balloon_mass_kg = 1.5\nneck_lift_kg = 3.0", "does not rise"),
        ('balloon_mass_kg = 1.5\nneck_lift_kg = 7.9\ngas = "methane"', "helium"),
    ],
)
def test_a_plan_that_cannot_rise_is_an_error(keys: str, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        parse(PLAN.format(keys))


def test_real_flights_climb_and_burst_about_as_worked_out() -> None:
    """With the diameters that fit these very flights (checks.md); some burst kilometres early."""
    index = real_index()
    diameters_m = {1500.0: 8.8, 2000.0: 9.6, 3000.0: 12.0}
    rates, bursts = [], []
    for log in real_logs():
        known, flight = index[log.stem], flown(log)
        found = {event.kind: event for event in flight.events()}
        weights = ("balloon_g", "neck_lift_kg", "neck_load_kg")
        if any(known.get(key) is None for key in weights) or not {"burst", "launch"} <= set(found):
            continue
        balloon_g, neck_kg, load_kg = (float(known[key]) for key in weights)
        lift = work_out(
            LiftPlan(
                balloon_g / 1000,
                load_kg,
                neck_lift_kg=neck_kg,
                burst_diameter_m=diameters_m[balloon_g],
            ),
            found["launch"].altitude_m,
        )
        climbed_m = found["burst"].altitude_m - found["launch"].altitude_m
        rate_ms = climbed_m / (found["burst"].time_s - found["launch"].time_s)
        rates.append(rate_ms / lift.ascent_rate_ms)
        assert lift.burst_altitude_m is not None
        bursts.append(found["burst"].altitude_m - lift.burst_altitude_m)
    assert len(rates) > 30
    assert np.median(rates) == pytest.approx(1.0, abs=0.1)
    assert np.mean(np.abs(np.array(rates) - 1.0) < 2 * RATE_RELATIVE_SIGMA) > 0.8
    assert abs(np.median(bursts)) < 1_200.0
    assert np.mean(np.abs(bursts) < 2 * BURST_SIGMA_M) > 0.8
