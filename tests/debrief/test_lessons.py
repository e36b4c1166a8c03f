"""Lessons: what was flown comes back as a plan."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Sequence

import pytest

from server.debrief.lessons import fitted_climb, fitted_fall, losses, plan_fragment
from server.debrief.record import FlightRecord
from server.debrief.tables import first_tables
from server.journal.recording import DEMO_LOG, Recording
from server.plan.file import parse
from tests.debrief.made import demo, plain, replayed, truth_of
from tests.flights import T0

_REST = '[flight]\nname = "Next"\n[[trackers]]\nname = "Main"\ncallsign = "N0CALL-11"\n'


def test_the_fall_of_the_demo_is_that_of_its_parachute() -> None:
    """k = sqrt(2 m g / (c A)): the coefficient and the speed say the same."""
    fall = fitted_fall(demo())
    assert fall is not None
    assert fall.drag_coefficient is not None
    area_m2 = math.pi * 1.5**2 / 4
    speed_ms = math.sqrt(2 * 2.1 * 9.80665 / (1.225 * fall.drag_coefficient * area_m2))
    assert fall.fall_speed_sea_level_ms == pytest.approx(speed_ms, rel=1e-6)
    landed = [p for p in demo().track if p.phase == "descent" and p.altitude_m < 2_000.0]
    seen_ms = -sum(p.climb_ms for p in landed) / len(landed)
    assert fall.fall_speed_sea_level_ms == pytest.approx(seen_ms, rel=0.15)


def test_the_climb_of_the_plain_flight_is_five() -> None:
    climb = fitted_climb(plain())
    assert climb is not None
    assert climb.rate_ms == pytest.approx(5.0, abs=0.05)
    assert climb.sigma_ms < 0.3


@pytest.mark.parametrize("flown", [demo, plain], ids=["demo", "plain"])
def test_the_fragment_completes_a_plan(flown: Callable[[], FlightRecord]) -> None:
    fragment = plan_fragment(flown())
    plan = parse(_REST + fragment)
    burst = flown().last("burst")
    assert burst is not None
    planned = plan.planned[0]
    assert planned.balloon.burst_altitude_m == round(burst.altitude_m)
    assert planned.descent != type(planned.descent)()
    assert set(tomllib.loads(fragment)) == {"balloon", "descent"}


def test_what_was_planned_stands_beside_what_was_flown() -> None:
    rows = {row[0]: row for row in _lessons_of(demo())}
    assert rows["Ascent rate"][2] == "4.80 m/s, ± 0.80 m/s"
    flown_m = float(rows["Burst altitude"][1].removesuffix(" m").replace(",", ""))
    assert flown_m == pytest.approx(truth_of("burst")["altitude_m"], abs=150.0)
    assert rows["Burst altitude"][2] == "30,000 m, ± 1,200 m"
    assert "# planned: 4.80" in plan_fragment(demo())


def test_a_log_without_a_plan_had_nothing_planned() -> None:
    assert {row[2] for row in _lessons_of(plain())} == {"–"}
    assert "planned" not in plan_fragment(plain())


def _lessons_of(record: FlightRecord) -> Sequence[Sequence[str]]:
    return next(t.rows for t in first_tables(record) if t.title == "Lessons for the next plan")


def test_a_flight_without_a_descent_leaves_it_out() -> None:
    heard = [r for r in plain().recording.receptions if r.heard_at_s < T0 + 4_000.0]
    record = replayed(Recording("up", heard, (), {}, ()), plain().mission.plan)
    fragment = plan_fragment(record)
    assert fitted_fall(record) is None
    assert "# too little of the descent was seen" in fragment
    assert tomllib.loads(fragment) == {"balloon": {}, "descent": {}}


def test_packets_left_out_are_counted_as_lost_where_they_were() -> None:
    """Every third beacon between 10 and 15 km is taken away."""
    heard, taken = [], 0
    for i, r in enumerate(sorted(plain().recording.receptions)):
        elapsed_s = r.heard_at_s - T0
        if 2_100 < elapsed_s < 2_900 and i % 3 == 0:
            taken += 1
            continue
        heard.append(r)
    assert taken >= 3
    by_altitude, _ = losses(replayed(Recording("x", heard, (), {}, ()), plain().mission.plan))
    lost = {r.low_m: r.sent - r.heard for r in by_altitude}
    assert lost[10_000.0] == taken
    assert sum(lost.values()) == taken


def test_losses_by_distance_need_a_car() -> None:
    _, by_distance = losses(demo())
    assert len({r.low_m for r in by_distance}) >= 2
    assert losses(plain())[1] == []
    assert DEMO_LOG.is_file()
