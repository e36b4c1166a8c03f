"""Made flights for the landing bench: winds that vary in time and space by the published statistics.

The rehearsal flies them with physics of its own; what the station heard is all that is used. The
oracle beside each prediction is told the statistics and the drag (`_landing_oracle`). At the burst, where
no fall has been seen yet, the predictor is also asked again with the drag told: how much of the distance
to the oracle is drag, and how much wind.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context

from server.flight.inputs import DescentPlan, FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.landing.descent import SEA_LEVEL_ROOT_DENSITY, FallConstants
from server.flight.landing.predict import LandingConstants
from server.flight.landing.question import Ground, LandingQuestion
from server.flight.mission import Mission
from server.rehearsal.fleet import draw
from server.rehearsal.flight import Flown, fly
from tests.bench import _landing_oracle as oracle
from tests.bench._landing_stages import STAGES, Case, Outcome, judge, questions

FLIGHTS = 300
_PROCESSES = 2
_CERTAIN, _NEVER = 0.002, 1e-9


@dataclass
class MadeOutcome:
    """What came of one stage of one flight, and how far off the oracle was."""

    stage: str
    outcome: Outcome
    oracle_km: float
    told_drag_km: float | None  # at the burst: the predictor's own error, had it known the drag


def outcomes(flights: int = FLIGHTS) -> list[MadeOutcome]:
    """All stages of all flights; the flights are flown side by side."""
    with ProcessPoolExecutor(_PROCESSES, mp_context=get_context("spawn")) as pool:
        each = pool.map(_of_flight, range(flights), chunksize=5)
        return [outcome for flight in each for outcome in flight]


def made_case(seed: int) -> tuple[Case, Flown] | None:
    """Flight `seed` of the fleet; None where the station never heard of the burst."""
    flown = fly(draw(seed), seed)
    scenario, truth = flown.scenario, flown.truth
    latitude_deg, longitude_deg, altitude_m = truth.landing
    launch = scenario.launch
    plan = Plan(
        flights=(
            FlightPlan(
                launch=LaunchPlan(
                    launch.latitude_deg, launch.longitude_deg, float(truth.altitude_m[0])
                ),
                descent=DescentPlan(
                    mass_kg=scenario.balloon.payload_kg,
                    parachute_diameter_m=scenario.parachute.diameter_m,
                ),
                trackers=tuple(TrackerPlan(t.name, callsign=t.callsign) for t in scenario.trackers),
            ),
        )
    )
    heard = [Reception(*reception) for reception in flown.receptions]
    asked = questions(Mission(plan), heard)
    asked = {k: replace(q, ground=Ground(altitude_m, 1.0)) for k, q in asked.items()}
    if "burst" not in asked:
        return None
    case = Case(
        str(seed), f"made {seed}", asked, latitude_deg, longitude_deg, altitude_m, truth.landing_s
    )
    return case, flown


def _of_flight(seed: int) -> list[MadeOutcome]:
    made = made_case(seed)
    if made is None:
        return []
    case, flown = made
    found = []
    for stage in STAGES:
        question = case.questions.get(stage)
        if question is None:
            continue
        told = oracle.landing(question, flown.scenario, flown.truth, case.altitude_m)
        told_drag_km = None
        if stage == "burst":
            told_drag_km = _told_drag(
                case, question, oracle.fall_constant(flown.scenario, flown.truth)
            )
        error_km = case.error_km(question, *told)
        found.append(MadeOutcome(stage, judge(case, question), error_km, told_drag_km))
    return found


def _told_drag(case: Case, question: LandingQuestion, fall_constant: float) -> float:
    speed_ms = fall_constant / SEA_LEVEL_ROOT_DENSITY
    descent = replace(
        question.plan.descent, fall_speed_sea_level_ms=speed_ms, fall_speed_relative_sigma=_CERTAIN
    )
    question = replace(question, plan=replace(question.plan, descent=descent))
    fall = replace(FallConstants(), loose_share=_NEVER, failure_share=_NEVER)
    return judge(case, question, LandingConstants(fall=fall)).ours_km
