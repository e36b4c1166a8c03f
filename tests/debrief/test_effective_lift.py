"""The lift that a climb tells of, against the formula turned round by hand."""

from __future__ import annotations

import copy
import math
from dataclasses import replace

import pytest

from server.debrief.effective_lift import effective, flown_lift
from server.debrief.lesson_tables import lessons_table
from server.debrief.lessons import plan_fragment
from server.debrief.record import FlightRecord
from server.flight.physics.lift import LiftPlan, work_out
from server.plan.file import parse
from tests.debrief.made import plain

PLAN = LiftPlan(balloon_mass_kg=1.5, payload_mass_kg=2.1, neck_lift_kg=3.4, burst_diameter_m=9.4)
LAUNCH_M = 533.0


def test_a_climb_as_worked_out_gives_the_planned_lift() -> None:
    planned = work_out(PLAN, LAUNCH_M)
    found = effective(PLAN, LAUNCH_M, planned.ascent_rate_ms)
    assert found is not None
    assert found.free_lift_kg == pytest.approx(planned.free_lift_kg, abs=1e-6)
    assert found.neck_lift_kg == pytest.approx(3.4, abs=1e-6)


@pytest.mark.parametrize("rate_ms", [2.5, 4.0, 5.0, 6.5])
def test_drag_balances_the_free_lift(rate_ms: float) -> None:
    """F = ½ ρ v² C π d² / 4 with the air of the U.S. Standard Atmosphere 1976 at 533 m, by its
    formula (288.15 K - 6.5 K/km, p = p0 (T / T0)^5.25588), and a sphere of helium (Archimedes)."""
    found = effective(PLAN, LAUNCH_M, rate_ms)
    assert found is not None
    height_m = 6_356_766.0 * LAUNCH_M / (6_356_766.0 + LAUNCH_M)
    kelvin = 288.15 - 0.0065 * height_m
    rho = 101_325.0 * (kelvin / 288.15) ** 5.25588 / (287.053 * kelvin)
    gross_kg = 1.5 + 2.1 + found.free_lift_kg
    volume_m3 = gross_kg / (rho * (1 - 4.0026 / 28.9644))
    width_m = (6 * volume_m3 / math.pi) ** (1 / 3)
    drag_n = 0.5 * rho * rate_ms**2 * PLAN.drag_coefficient * math.pi * width_m**2 / 4
    assert found.free_lift_kg * 9.80665 == pytest.approx(drag_n, rel=1e-4)


def test_a_climb_that_no_lift_explains_tells_nothing() -> None:
    assert effective(PLAN, LAUNCH_M, 0.05) is None
    assert effective(PLAN, LAUNCH_M, 40.0) is None


def gassed() -> FlightRecord:
    """The plain flight, which climbs 5 m/s, with a plan that promises more."""
    balloon = replace(plain().plan.balloon, lift_plan=PLAN, lift=work_out(PLAN, 560.0))
    mission = copy.copy(plain().mission)
    mission.plan = replace(mission.plan, infer_trackers=False)  # a log alone plans nothing
    return replace(plain(), plan=replace(plain().plan, balloon=balloon), mission=mission)


def test_what_was_promised_stands_beside_what_was_flown() -> None:
    row = next(r for r in lessons_table(gassed()).rows if r[0] == "Free lift, by the climb")
    flown = effective(PLAN, 560.0, 5.0)
    assert flown is not None
    assert float(row[1].removesuffix(" kg")) == pytest.approx(flown.free_lift_kg, abs=0.06)
    assert row[2].startswith("1.30 kg, for ")


def test_the_next_plan_climbs_as_this_flight_did() -> None:
    """Without the rate as flown, which would win, the lift of the fragment gives it again."""
    lines = [x for x in plan_fragment(gassed()).splitlines() if not x.startswith("ascent_rate")]
    text = "\n".join(
        [
            '[flight]\nname = "Next"',
            "[launch]",
            "latitude_deg = 38.35",
            "longitude_deg = -98.2",
            "altitude_m = 560",
            '[[trackers]]\nname = "Main"\ncallsign = "N0CALL-11"',
            *lines,
        ]
    )
    plan = parse(text).for_flight()
    assert plan.flights[0].balloon.ascent_rate_ms == pytest.approx(5.0, abs=0.1)
    assert plan.flights[0].balloon.lift is not None


def test_a_plan_that_says_nothing_of_the_gas_has_no_lift() -> None:
    assert flown_lift(plain(), 5.0) is None
    assert "free_lift_kg" not in plan_fragment(plain())
